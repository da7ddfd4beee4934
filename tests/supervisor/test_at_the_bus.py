"""Holds and resumes at a desk, as another client of a real broker hears them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

from conformance.commands.supervise.prompt import Prompt
from conformance.commands.terminal.streams import red
from conformance.page.server.saved_orders import SavedOrders
from protocol.site_file import scenario
from reference_node.supervisor.observe.gap import AWAY
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.send.holds import Stage
from tests.needs import needs
from tests.page.at_work import AtWork, at_work
from tests.supervisor.bus import MortalBroker, Subscriber, answered, mortal_broker, subscriber_at, until

pytestmark = needs("mosquitto")
T = TypeVar("T")


class Bench:
    """The yard, its desk at a prompt, the broker, and the other client."""

    def __init__(self, yard: AtWork, broker: MortalBroker, subscriber: Subscriber) -> None:
        self.yard, self.broker, self.subscriber = yard, broker, subscriber
        self.hand = ByHand(lambda: yard.supervisor, "the prompt")
        self._words = Prompt(self.hand)

    def keep(self, saved: SavedOrders) -> None:
        """The prompt with saved orders."""
        self._words = Prompt(self.hand, saved)

    def on_its_thread(self, work: Callable[[], T]) -> T:
        found: list[T] = []

        def do(_participant: object, _now_ms: int) -> tuple[()]:
            found.append(work())
            return ()

        self.yard.host.call(do)
        return found[0]

    def say(self, line: str) -> str:
        return "\n".join(self.on_its_thread(lambda: self._words.do(line)))

    def stages(self) -> dict[str, Stage]:
        return {one.node: one.stage for one in self.on_its_thread(self.hand.held)}

    def heard(self, node: str, act: str) -> None:
        """Wait until the other client has heard it."""
        until(lambda: (node, act) in self.subscriber.heard())

    def let_pass(self, ms: int) -> None:
        """Wait until the supervisor has looked around for so long: nothing is to happen meanwhile."""
        since_ms = self.yard.supervisor.now_ms
        until(lambda: self.yard.supervisor.now_ms - since_ms > ms)

    def rests(self) -> bool:
        sessions = self.yard.supervisor.sessions.values()
        ready = all(session.idle() and not session.open for session in sessions)
        return ready and not self.yard.supervisor.questions and len(self.yard.supervisor.history) >= 2


@pytest.fixture
def bench() -> Iterator[Bench]:
    """Homed, and everything at rest."""
    with (
        mortal_broker() as broker,
        at_work(broker=broker, answer=answered) as yard,
        subscriber_at(broker.port) as subscriber,
    ):
        found = Bench(yard, broker, subscriber)
        until(lambda: found.on_its_thread(found.rests))
        subscriber.heard()
        yield found
        broker.end()


def test_the_resume_of_a_free_node_lets_nobody_go(bench: Bench) -> None:
    bench.say("hold north")
    until(lambda: bench.stages() == {"north": Stage.OBEYED})
    assert bench.say("resume south") == "not done: south is not held; held: north"
    for node in ("siding", "ferry"):
        bench.say(f"hold {node}")
    until(lambda: bench.stages() == dict.fromkeys(("north", "siding", "ferry"), Stage.OBEYED))
    assert bench.say("resume south") == "not done: south is not held; held: north, siding, ferry"
    assert bench.say("resume north south") == "not done: south is not held; held: north, siding, ferry"
    assert bench.say("resume north") == "taken"
    bench.heard("north", "resume")
    until(lambda: set(bench.stages()) == {"siding", "ferry"})
    assert [one for one in bench.subscriber.heard() if one[1] == "resume"] == []


def test_a_resume_without_a_name_is_asked_back_by_name(bench: Bench) -> None:
    assert bench.say("resume") == "not done: name what may go on; nothing is held"
    bench.say("hold siding ferry")
    until(lambda: bench.stages() == dict.fromkeys(("siding", "ferry"), Stage.OBEYED))
    for word in ("resume", "resume all"):
        assert bench.say(word) == (
            "not done: hands clear of each? Then say 'resume siding ferry'; it moves on at once"
        )
    assert "resume" not in dict.fromkeys(act for _, act in bench.subscriber.heard())
    assert bench.say("resume siding ferry") == "taken"
    until(lambda: not bench.stages())
    assert sorted(bench.subscriber.heard()) == [("ferry", "resume"), ("siding", "resume")]


def test_only_a_hold_waits_for_the_bus(bench: Bench) -> None:
    bench.say("hold north")
    until(lambda: bench.stages() == {"north": Stage.OBEYED})
    bench.broker.kill()
    until(lambda: not bench.yard.supervisor.linked)
    for line in (
        "resume north", "home south", "run ferry quay-s", "bring C-101 stack-s 0", "train siding T-7 C-101=0",
        "tell stack-s 0 C-9", "cancel north", "go on",
    ):  # fmt: skip
        assert bench.say(line) == f"not done: {AWAY}", line
    said = bench.say("hold south")
    assert "not sent: the bus is away" in said
    assert said.startswith(red("#").partition("#")[0]), "in red"
    assert re.search(r"south +held by the prompt for \d s: not sent: the bus is away", bench.say("list"))
    bench.broker.revive()
    bench.subscriber.listens()
    until(lambda: bench.stages() == dict.fromkeys(("north", "south"), Stage.OBEYED))
    supervisor = bench.yard.supervisor
    bench.let_pass(3 * supervisor.pace.repeat_ms)
    assert {act for _, act in bench.subscriber.heard()} <= {"hold"}, "nothing else that was said came later"
    assert bench.stages() == dict.fromkeys(("north", "south"), Stage.OBEYED)
    assert supervisor.finished


def test_what_was_open_goes_on_only_when_a_person_says_so(bench: Bench) -> None:
    supervisor = bench.yard.supervisor
    assert bench.say("bring C-101 stack-n 3") == "taken"
    assert bench.say("bring C-101 stack-n 1") == "taken"
    bench.heard("north", "transfer")
    bench.broker.kill()
    until(lambda: not supervisor.linked)
    bench.broker.revive()
    bench.subscriber.listens()
    until(lambda: "The bus was away for" in bench.say("questions"))
    asked = bench.say("questions")
    assert "Open when it fell: north: box C-101 from stack-n slot 1 to stack-n slot 3" in asked
    assert " go on'" in asked
    assert "the bus was away; it waits for 'go on'" in bench.say("home south")
    bench.subscriber.heard()
    bench.let_pass(5_000)
    assert bench.subscriber.heard() == []
    assert not supervisor.finished
    assert bench.say("go on") == "taken"
    assert bench.say("go on") == "not done: nothing waits for that"
    bench.heard("north", "transfer")
    until(lambda: supervisor.finished)


def test_a_resume_of_a_node_that_has_gone_is_not_kept_for_it(bench: Bench) -> None:
    """The bus is there, the node is not: what was said is not sent again and again until it comes back."""
    bench.say("hold ferry")
    until(lambda: bench.stages() == {"ferry": Stage.OBEYED})
    bench.subscriber.heard()
    ferry = bench.yard.machines["ferry"]
    ferry.stop(graceful=False)
    assert bench.say("resume ferry") == "taken"
    until(lambda: "resume was not answered" in bench.say("log"))
    bench.subscriber.heard()
    bench.let_pass(2_500)
    assert bench.subscriber.heard() == []
    assert "its last word is" in bench.say("list")
    assert "cannot be asked now" in bench.say("resume ferry")


def test_a_saved_order_goes_through_every_gate(bench: Bench, tmp_path: Path) -> None:
    """As if it had been said: refused where that is, and sent where that is."""
    bench.keep(SavedOrders(scenario(), tmp_path / "orders.toml"))
    assert bench.say("save tidy park north") == "saved: 'send tidy' sends it"
    assert bench.say("saved").split() == ["tidy", "north:", "park"]
    assert bench.say("send other").startswith("not done: there is no saved order 'other'")
    assert bench.say("look send tidy") == bench.say("look park north")
    bench.say("hold north")
    until(lambda: bench.stages() == {"north": Stage.OBEYED})
    bench.subscriber.heard()
    refused = bench.say("send tidy")
    assert refused.startswith("not done: ")
    assert refused == bench.say("park north")
    bench.let_pass(500)
    assert [one for one in bench.subscriber.heard() if one[1] == "park"] == []
    assert bench.say("resume north") == "taken"
    until(lambda: not bench.stages())
    assert bench.say("send tidy") == "taken"
    bench.heard("north", "park")


def test_a_saved_order_waits_for_no_bus(bench: Bench, tmp_path: Path) -> None:
    bench.keep(SavedOrders(scenario(), tmp_path / "orders.toml"))
    bench.say("save tidy park north")
    bench.broker.kill()
    until(lambda: not bench.yard.supervisor.linked)
    assert bench.say("send tidy") == f"not done: {AWAY}"
