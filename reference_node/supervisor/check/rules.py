"""What has to be so before a supervisor starts anything. Every rule is a small method of its own."""

from __future__ import annotations

from reference_node.supervisor.observe.neighbours import beside, places_of
from reference_node.supervisor.observe.yard_state import YardState


class Rules:
    """The checks before an order that moves something, over one picture of the yard; the first to fail gives why."""

    def __init__(self, state: YardState) -> None:
        self._state = state

    def obstacle(self, node: str, act: str) -> str:
        """Why `act` must not be sent to `node` now; '' if nothing stands against it."""
        reasons = (
            self.bus_away(),
            self.bench(),
            self.not_owned(node),
            self.other_tables(node),
            self.silent(node),
            self.held(node),
            self.not_ready(node, act),
            self.busy(node),
            self.machines_beside(node, act),
            self.hand_beside(node),
        )
        return next((reason for reason in reasons if reason), "")

    def bus_away(self) -> str:
        """Nothing is ordered into the dark; and after it only on a person's word."""
        return "" if self._state.gap is None else self._state.gap.why()

    def bench(self) -> str:
        """A bench node believes a tester's sensors [SUP-15]."""
        for name, node in self._state.nodes.items():
            if node.status.get("bench"):
                return f"{name} is on the bench"
        return ""

    def not_owned(self, node: str) -> str:
        """Every node was owned before the first moving order to any, and this one is [SUP-01, SUP-02]."""
        nodes = self._state.nodes
        if nodes[node].owned and self._state.all_owned:
            return ""
        if self._state.all_owned and not nodes[node].reachable:
            return self.silent(node)
        missing = [name for name, other in nodes.items() if not other.owned]
        return f"not owned yet: {', '.join(missing)}"

    def other_tables(self, node: str) -> str:
        """A node with other tables means other places by the same names [SUP-20]."""
        said = self._state.nodes[node].status.get("digest")
        ours = self._state.site.nodes[node].digest
        return "" if said == ours else f"{node} was set up from another site file ({said})"

    def silent(self, node: str) -> str:
        """Nothing starts at a node that has fallen silent, nor next to it [SUP-21]."""
        for name in (node, *self.beside(node)):
            if not self._state.nodes[name].reachable:
                return f"{name} has not been heard lately"
        return ""

    def held(self, node: str) -> str:
        """A held node refuses every job [HLD-03], and this supervisor's own hold may not have reached it yet."""
        return f"{node} is held" if node in self._state.own_holds or self._state.nodes[node].held else ""

    def not_ready(self, node: str, act: str) -> str:
        """A crane works only when it is ready, and is homed only when it is unhomed [CRN-03]."""
        wanted = {"transfer": "ready", "park": "ready", "jog": "ready", "home": "unhomed"}.get(act)
        mode = self._state.nodes[node].says("mode")
        return "" if wanted in (None, mode) else f"{node} is {mode or 'not answering'}"

    def busy(self, node: str) -> str:
        """One job a node, and none while an order without a final report is out [ORD-12]."""
        known = self._state.nodes[node]
        return "" if known.idle and not known.open_acts else f"{node} has an order open"

    def machines_beside(self, node: str, act: str) -> str:
        """No train or shuttle moves while a crane that reaches it has a job, nor the other way [SUP-12]."""
        for name in self.beside(node):
            if not self._state.nodes[name].idle:
                return f"{act} at {node} waits for {name}"
        return ""

    def hand_beside(self, node: str) -> str:
        """Where a person was asked to look a hand may be: nothing starts there before the answer [SUP-19]."""
        near = {node, *self.beside(node)}
        places = {place for name in near for place in self.places_of(name)}
        for question in self._state.questions:
            if question.node == node or question.place in places or question.node in self.beside(node):
                return f"waits for an answer: {question.text}"
        return ""

    def clear_for_a_person(self, node: str, place: str) -> bool:
        """Whether nothing that reaches there has a job open, by young words newer than the claim [SUP-19, SUP-24]."""
        reachable = all(self._state.nodes[name].reachable for name in self.reaching(node, place))
        return reachable and not self.at_work(node, place)

    def held_for_a_person(self, node: str, place: str) -> bool:
        """Whether everything that reaches there says that it is held [SUP-25]."""
        return not self.not_held(node, place)

    def at_work(self, node: str, place: str) -> list[str]:
        """What reaches there and may have a job."""
        return [name for name in sorted(self.reaching(node, place)) if not self._state.nodes[name].idle]

    def not_held(self, node: str, place: str) -> list[str]:
        """What reaches there and is not known to be held: a word of before may be old, a resume on its way."""
        return [name for name in sorted(self.reaching(node, place)) if not self._stays_held(name)]

    def let_go(self, node: str, place: str) -> list[str]:
        """What reaches there and says that it is not held."""
        return [name for name in sorted(self.reaching(node, place)) if not self._state.nodes[name].held]

    def _stays_held(self, name: str) -> bool:
        state, known = self._state, self._state.nodes[name]
        obeyed = name not in state.own_holds or name in state.obeyed_holds
        return known.held and obeyed and "resume" not in known.open_acts

    def reaching(self, node: str, place: str) -> frozenset[str]:
        """The nodes whose machines may meet a person at a machine or place; '' for none of either."""
        near = {node, *self.beside(node)} if node else set()
        if place:
            near |= {*self._state.site.cranes_reaching(place), self._state.site.places[place].node}
        return frozenset(near - {""})

    def beside(self, node: str) -> tuple[str, ...]:
        """The nodes whose machines may meet those of `node`."""
        return beside(self._state.site, node)

    def places_of(self, node: str) -> tuple[str, ...]:
        """The places that `node` reaches or owns."""
        return places_of(self._state.site, node)
