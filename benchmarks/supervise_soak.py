"""Hours of a yard on virtual time in which everything goes wrong: `python -m benchmarks.supervise_soak --hours 24`.

Nodes and the supervisor start again, links break, the network is gone, orders come twice, messages are lost, somebody
holds, an axis jams; the supervisor gets one wish after the other. No box may be lost or be in two places, nothing
may be done twice, no two machines that can meet may move at once, nothing untrue may be believed, and every wish has
to be met: what waits longer than half an hour counts as stuck.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import cast

import click

from conformance.commands.terminal import progress
from protocol.site import PlaceKind, Site
from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario import Event, Person, Scenario, Train
from reference_node.scenario.virtual_stage import VirtualStage
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit

HOUR_MS = 3_600_000
STUCK_MS = 1_800_000
TIDY_MS = 60_000
TROUBLES = {
    "reboot": 6, "link-breaks": 6, "network-gone": 6, "supervisor-restarts": 3, "orders-twice": 3, "hold": 1, "jam": 1,
}  # fmt: skip
"""What goes wrong, and how often beside the others."""
GAP_MS = (20_000, 240_000)
"""Time between two troubles."""


@dataclass(slots=True)
class Result:
    """What a soak came to."""

    hours: float = 0.0
    goal_states: int = 0
    jobs: int = 0
    boxes: int = 0
    troubles: Counter[str] = field(default_factory=Counter)
    asked: Counter[str] = field(default_factory=Counter)
    longest_s: float = 0.0
    stuck: list[str] = field(default_factory=list)
    breaches: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing was found."""
        return not self.stuck and not self.breaches


class Soak:
    """One yard that goes on and on, all chance from one seed."""

    def __init__(self, seed: int, site: Site | None = None) -> None:
        self.rng = Random(seed)
        self.site = site or site_of_the_kit()
        stacks = [place for place in self.site.places.values() if place.kind is PlaceKind.STACK]
        contents = {stacks[0].name: ("C-1", "C-2", "C-3", "")}
        self.stage = VirtualStage(
            Scenario(
                self.site.name, "soak", 1 << 62, seed=seed, loss=0.03, repeat=0.1, contents=contents,
                person=Person(walk_ms=5_000),
            ),
            self.site,
        )  # fmt: skip
        self.result = Result()
        self._boxes, self._trains = 3, 0
        self._wished_ms = 0

    def run(self, hours: float, told: Callable[[Result], object] = lambda _: None) -> Result:
        """Go on for so long, or until something is wrong; `told` gets what there is so far each virtual hour."""
        end_ms = int(hours * HOUR_MS)
        self.stage.begin()
        next_ms = self.stage.now_ms + self.rng.randint(*GAP_MS)
        while self.stage.now_ms < end_ms and self.result.sound:
            self._wish_if_idle()
            until_ms = min(next_ms, self.stage.now_ms + TIDY_MS, end_ms)
            self.stage.time.run_until_true(self._is_idle, until_ms - self.stage.now_ms)
            if self.stage.now_ms >= next_ms:
                self._trouble()
                next_ms = self.stage.now_ms + self.rng.randint(*GAP_MS)
            self._look()
            if int(self.stage.now_ms / HOUR_MS) > int(self.result.hours):
                told(self.result)
            self.result.hours = self.stage.now_ms / HOUR_MS
        return self.result

    def _is_idle(self) -> bool:
        return self.stage.story.supervisor.finished

    # ------------------------------------------------------------ wishes
    def _wish_if_idle(self) -> None:
        supervisor = self.stage.story.supervisor
        if not supervisor.finished:
            return
        if self.result.goal_states:
            self.result.longest_s = max(self.result.longest_s, (self.stage.now_ms - self._wished_ms) / 1000)
        goal_state = self._another()
        self.result.goal_states += 1
        self._wished_ms = self.stage.now_ms
        self.stage.goals = (goal_state,)
        supervisor.add(goal_state)

    def _another(self) -> GoalState:
        """A box or two somewhere else, and mostly a train that takes one and brings another."""
        rng, yard = self.rng, self.stage.yard
        stacks = [place for place in self.site.places.values() if place.kind is PlaceKind.STACK]
        there = sorted(
            box
            for (place, _), box in yard.truth.boxes.items()
            if self.site.places[place].kind is not PlaceKind.TRACK
        )
        rng.shuffle(there)
        visits = []
        if rng.random() < 0.7:
            self._trains += 1
            taken = there.pop() if len(there) > 2 else ""
            brings = ["", "", ""]
            if len(there) < 4:
                self._boxes += 1
                brings[rng.randrange(3)] = f"C-{self._boxes}"
            takes = {rng.randrange(3): taken} if taken else {}
            visit = Visit(f"T-{self._trains}", "siding", tuple(brings), takes)
            yard.expect_train(Train(visit, rng.choice(("usual", "heavy"))))
            visits.append(visit)
            there += [box for box in brings if box]
        ground = [Spot(place.name, slot) for place in stacks for slot in range(0, place.slots, place.tiers)]
        rng.shuffle(ground)
        boxes = dict(zip(there[: rng.randint(1, 2)], ground, strict=False))
        missing = {box for visit in visits for box in visit.brings if box} - set(boxes)
        if missing and len(ground) > len(boxes):
            boxes |= dict(zip(sorted(missing), ground[len(boxes) :], strict=False))
        return GoalState(boxes, tuple(visits))

    # ------------------------------------------------------------ troubles
    def _trouble(self) -> None:
        rng = self.rng
        what = rng.choices(list(TROUBLES), list(TROUBLES.values()))[0]
        machines = list(self.stage.yard.machines)
        cranes = [node.name for node in self.site.with_role("crane")]
        node = rng.choice(cranes) if what == "jam" else rng.choice([*machines, self.stage.name])
        node = rng.choice(machines) if what in ("reboot", "hold") else node
        lasts = rng.randint(500, 20_000) if what in ("network-gone", "orders-twice") else 0
        self.stage.happen(Event(what, node=node, for_ms=lasts, axis=rng.randrange(3)))
        self.result.troubles[what] += 1

    def _look(self) -> None:
        stage, result = self.stage, self.result
        stage.bus.log.clear()
        for packets in stage.bus.packets.values():
            cast("list[object]", packets).clear()
        for question in stage.story.asked:
            result.asked[question] += 1
        stage.story.asked.clear()
        del stage.story.log[:-200]
        result.breaches = list(stage.watch.breaches)
        result.jobs = len(stage.yard.truth.deeds)
        result.boxes = self._boxes
        if stage.now_ms - self._wished_ms > STUCK_MS:
            supervisor = stage.story.supervisor
            open_now = [question.text for question in supervisor.questions]
            why = [str(one) for one in (*supervisor.waiting.values(), *open_now)]
            result.stuck.append(f"{supervisor.goals[-1]} at {stage.now_ms} ms: {'; '.join(why)}")


@click.command()
@click.option("--hours", type=float, default=24.0, show_default=True, help="Virtual hours.")
@click.option("--seed", type=int, default=1, show_default=True, help="Where all chance comes from.")
@click.option("--verbose", is_flag=True, help="Show the last decisions when something is wrong.")
def main(hours: float, seed: int, verbose: bool) -> None:
    """Run a soak; ends with 1 when something was found."""
    began = time.monotonic()
    soak = Soak(seed)
    result = soak.run(
        hours,
        lambda so_far: progress.show(
            f"{so_far.hours:.0f} of {hours:g} virtual hours, {so_far.goal_states} wishes, "
            f"{so_far.jobs} boxes taken or set down"
        ),
    )
    progress.clear()
    print(f"{result.hours:.1f} virtual hours in {time.monotonic() - began:.0f} s, seed {seed}")
    print(
        f"{result.goal_states} wishes, the longest met after {result.longest_s:.0f} s; {result.boxes} boxes"
    )
    print(f"{result.jobs} boxes taken or set down, none by the same job twice")
    print("went wrong: " + ", ".join(f"{what} {count}" for what, count in sorted(result.troubles.items())))
    print("asked: " + ", ".join(f"{what} {count}" for what, count in sorted(result.asked.items())))
    for what in (*result.breaches, *result.stuck):
        print(f"FOUND: {what}")
    if not result.sound and verbose:
        print("\n".join(soak.stage.story.log))
    print("nothing found" if result.sound else "something was found")
    sys.exit(0 if result.sound else 1)


if __name__ == "__main__":
    main()
