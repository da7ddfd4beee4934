"""What must never be, looked for on every edge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from tests.proof.yard.node_steps import NodeStep, NodeSteps
from tests.proof.yard.record import Record
from tests.proof.yard.state import ABSENT, Numbered, State
from tests.proof.yard.supervisor_steps import Belief, SupervisorSteps
from tests.proof.yard.world import World


class Properties:
    """Judges states of one yard."""

    def __init__(
        self,
        nodes: Sequence[NodeSteps],
        supervisors: Sequence[SupervisorSteps],
        worlds: Numbered,
        labels: list[str],
    ) -> None:
        self.nodes, self.supervisors, self.worlds, self._labels = nodes, supervisors, worlds, labels
        self.node_names = tuple(steps.name for steps in nodes)
        self.records = Numbered()
        self._deeds: dict[Any, tuple[int, str]] = {}
        self._endings: dict[Any, tuple[int, str]] = {}
        self._beliefs: dict[Any, str] = {}

    def recorded(self, record: int, number: int, step: NodeStep) -> tuple[int, str]:
        key = (record, number, step.deeds)
        found = self._deeds.get(key)
        if found is None:
            after, wrong = self.records.all[record].after_deeds(self.node_names[number], step.deeds)
            found = self._deeds[key] = (self.records.number(after), wrong)
        return found

    def ended(self, record: int, ended: tuple[Any, ...]) -> tuple[int, str]:
        found = self._endings.get((record, ended))
        if found is None:
            after, wrong = self.records.all[record].after_endings(ended)
            found = self._endings[record, ended] = (self.records.number(after), wrong)
        return found

    def hand(self, state: State, node: str) -> str:
        """No machine starts where a supervisor has sent a person, unless another has claimed the node since."""
        for steps, number in zip(self.supervisors, state.supervisors, strict=True):
            if number == ABSENT:
                continue
            known = steps.states[number]
            for asked in known.asked:
                if node in asked.bars and self.rules_over(state, known.claims, (node,)):
                    return (
                        f"{node} moves while a person looks for {asked.about} of {asked.place or asked.node}"
                    )
        return ""

    def sent_into_motion(self, before: State, after: State, number: int) -> str:
        """Nobody is sent to where a machine moves."""
        steps = self.supervisors[number]
        if not steps.states[after.supervisors[number]].asked:
            return ""
        asked_before = set(steps.states[before.supervisors[number]].asked)
        known = steps.states[after.supervisors[number]]
        for asked in known.asked:
            if asked in asked_before:
                continue
            for place, node in enumerate(self.node_names):
                moving = self.nodes[place].states[after.nodes[place]].moving
                if moving and node in asked.bars and self.rules_over(after, known.claims, (node,)):
                    return f"a person is sent for {asked.about} of {asked.place or asked.node} while {node} moves"
        return ""

    def rules_over(
        self, state: State, claims: Iterable[tuple[str, int | None, int]], nodes: Iterable[str]
    ) -> bool:
        record: Record = self.records.all[state.record]
        mine = {name: claim for name, _, claim in claims}
        return all(mine[node] >= record.claim_of(node) for node in nodes)

    def false_belief(self, state: State) -> str:
        """What is held to be sure is so; of a spreader once its load sensor has settled."""
        settled: tuple[bool, ...] = ()
        for steps, number in zip(self.supervisors, state.supervisors, strict=True):
            if number != ABSENT and steps.states[number].believes:
                settled = settled or tuple(
                    [one.states[known].settled for one, known in zip(self.nodes, state.nodes, strict=True)]
                )
                key = (steps.name, number, state.world, settled, self.records.all[state.record].claims)
                found = self._beliefs.get(key)
                if found is None:
                    found = self._beliefs[key] = self.judged(state, steps.states[number].believes)
                if found:
                    return f"{steps.name} {found}"
        return ""

    def judged(self, state: State, believes: tuple[Belief, ...]) -> str:
        world: World = self.worlds.all[state.world]
        for belief in believes:
            if not self.rules_over(state, belief.rests_on, [name for name, _, _ in belief.rests_on]):
                continue
            felt = not belief.crane or self._is_settled(state, belief.crane)
            for slot, held in enumerate(belief.slots):
                if held == "?" or not felt:
                    continue
                so = world.box_at((belief.place, slot)) if belief.place else world.box_held(belief.crane)
                if so != held:
                    where = (
                        f"slot {slot} of {belief.place}"
                        if belief.place
                        else f"the spreader of {belief.crane}"
                    )
                    return f"holds {where} to be {held or 'empty'}, and it is {so or 'empty'}"
        return ""

    def _is_settled(self, state: State, name: str) -> bool:
        number = self.node_names.index(name)
        return self.nodes[number].states[state.nodes[number]].settled

    def boxes(self, world: World) -> str:
        """No box is lost, and none is in two places."""
        return "" if world.labels == self._labels else f"boxes are {world.labels}, and were {self._labels}"
