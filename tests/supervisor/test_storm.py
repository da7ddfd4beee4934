"""Everything at once, at random: loss, repeats, cut links, resets of nodes and supervisor in any step."""

from __future__ import annotations

from random import Random

import pytest

from tests.sample import sampled
from tests.supervisor.terminal import NODES, Terminal, believes_only_truth
from tests.supervisor.test_next_step import CYCLE

BETWEEN_EDITS, IN_CI, ALL = 1, 8, 16
"""How many storms are played each time; each is of another seed."""


@pytest.mark.parametrize(
    "seed",
    [
        *sampled(range(IN_CI), range(BETWEEN_EDITS), rest="slow"),
        *(pytest.param(seed, marks=pytest.mark.exhaustive) for seed in range(IN_CI, ALL)),
    ],
)
def test_whatever_happens_no_box_falls_and_nothing_untrue_is_believed(seed: int) -> None:
    rng = Random(seed)
    terminal = Terminal(seed=seed, loss=rng.choice((0.0, 0.05, 0.2)), repeat=rng.choice((0.0, 0.3)))
    boot = 1
    supervisor = terminal.supervise(goals=CYCLE, rng=Random(seed))

    def untrue() -> bool:
        return bool(terminal.truth.accidents) or not believes_only_truth(supervisor, terminal)

    for _ in range(rng.randint(1, 5)):
        assert not terminal.time.run_until_true(untrue, rng.randint(1_000, 15_000))
        match rng.choice(("reset", "sever", "cut", "supervisor")):
            case "reset":
                terminal.reset(rng.choice(NODES))
            case "sever":
                terminal.bus.sever(rng.choice(NODES))
            case "cut":
                terminal.bus.cut(rng.choice(NODES), for_ms=rng.randint(500, 20_000))
            case "supervisor":
                terminal.bus.detach("yard", graceful=rng.random() < 0.5)
                boot += 1
                supervisor = terminal.supervise(goals=CYCLE, rng=Random(seed + boot), boot=boot)
    assert not terminal.time.run_until_true(untrue, 120_000)
