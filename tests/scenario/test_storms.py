"""Whatever happens in whatever order: nothing is lost, done twice or believed wrongly, nothing meets, all is met."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from benchmarks.supervise_soak import Soak
from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario import Event, Scenario, Train
from reference_node.scenario.virtual_stage import VirtualStage
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import Visit
from tests.examples import examples

SITE = site_of_the_kit()
MACHINES = ("north", "south", "siding", "ferry")
LONG_ENOUGH_MS = 600_000


class Storm(RuleBasedStateMachine):
    """A yard with a wish, and whatever may happen to it."""

    @initialize(
        seed=st.integers(0, 2**16), loss=st.sampled_from([0.0, 0.05, 0.2]), repeat=st.sampled_from([0.0, 0.3]),
        late_ms=st.sampled_from([0, 60_000]), pulls=st.sampled_from(["usual", "heavy"]),
    )  # fmt: skip
    def begin(self, seed: int, loss: float, repeat: float, late_ms: int, pulls: str) -> None:
        visit = Visit("T-1", "siding", ("", "C-9", ""), {Random(seed).choice((0, 2)): "C-1"}, True, late_ms)
        self.stage = VirtualStage(
            Scenario(
                SITE.name, "storm", LONG_ENOUGH_MS, seed=seed, loss=loss, repeat=repeat,
                contents={"stack-n": ("C-1", "C-2", "C-3", "")}, boxes={"C-9": Spot("stack-s", 0)},
                trains=(Train(visit, pulls),),
            ),
            SITE,
        )  # fmt: skip
        self.stage.begin()

    @rule(ms=st.integers(200, 20_000))
    def time_passes(self, ms: int) -> None:
        self.stage.time.run_until(self.stage.now_ms + ms)

    @rule(node=st.sampled_from(MACHINES))
    def reboots(self, node: str) -> None:
        self.stage.happen(Event("reboot", node=node))

    @rule(node=st.sampled_from((*MACHINES, "yard")))
    def link_breaks(self, node: str) -> None:
        self.stage.happen(Event("link-breaks", node=node))

    @rule(node=st.sampled_from((*MACHINES, "yard", "all")), ms=st.integers(500, 20_000))
    def network_is_gone(self, node: str, ms: int) -> None:
        self.stage.happen(Event("network-gone", node=node, for_ms=ms))

    @rule()
    def supervisor_restarts(self) -> None:
        self.stage.happen(Event("supervisor-restarts"))

    @rule(ms=st.integers(1_000, 60_000))
    def orders_come_twice(self, ms: int) -> None:
        self.stage.happen(Event("orders-twice", for_ms=ms))

    @rule(node=st.sampled_from(MACHINES))
    def somebody_holds(self, node: str) -> None:
        self.stage.happen(Event("hold", node=node))

    @rule(node=st.sampled_from(("north", "south")), axis=st.integers(0, 2))
    def an_axis_jams(self, node: str, axis: int) -> None:
        self.stage.happen(Event("jam", node=node, axis=axis))

    @precondition(lambda self: hasattr(self, "stage"))
    @invariant()
    def nothing_is_broken(self) -> None:
        self.stage.watch.compare(self.stage.story.supervisor)
        assert self.stage.watch.breaches == [], "\n".join(self.stage.story.log[-40:])

    def teardown(self) -> None:
        if not hasattr(self, "stage"):
            return
        supervisor = self.stage.story
        met = self.stage.time.run_until_true(lambda: supervisor.supervisor.finished, LONG_ENOUGH_MS)
        self.nothing_is_broken()
        log = "\n".join(supervisor.log[-60:])
        assert met, f"{supervisor.supervisor.waiting} {supervisor.supervisor.questions}\n{log}"


TestStorm = pytest.mark.slow(Storm.TestCase)
TestStorm.settings = settings(
    examples(20), stateful_step_count=12, suppress_health_check=[HealthCheck.too_slow]
)


@pytest.mark.slow
def test_a_quarter_of_an_hour_of_the_soak() -> None:
    result = Soak(seed=5).run(0.25)
    assert result.sound, (result.breaches, result.stuck)
    assert result.goal_states > 5
    assert sum(result.troubles.values()) > 2
