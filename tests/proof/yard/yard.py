"""The yard as a model to explore: shipped participants, and the net, the clock and the people around them.

**Net.** One queue from each node to each supervisor and back, in the order of publication; a message may be lost
(QoS 0), repeated (QoS 1), overtaken by messages on other topics, or delivered once more much later, each as a
disturbance. Order on one topic is always kept but for what comes late. A broker keeps retained messages and hands
them to whoever subscribes. Nodes connect with clean sessions: what is under way to one that loses its connection is
gone.

**Time.** Nobody's clock is compared with another's, so each participant's time goes on by itself. That a machine
goes on, that a heartbeat or a repeat is due, are edges that can be taken at any time; how much time they took is not
kept, but for what a participant compares it with: then time that is too long (`give-up`, `silence`, `expiry`) is an
edge that can be taken at any time too. So each order of events that some timing brings about is among the runs. An
undisturbed supervisor repeats once nothing is under way any more, a disturbed one (`early`) at any time; and a
heartbeat comes once nothing is under way: what it says is what the node's state messages say in any case.

**People.** Questions are answered by what is so, or (`stale answer`) by what was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from reference_node.snapshot.supervisor_fields import RETRY_MS
from tests.proof.yard.disturbances import Disturbances
from tests.proof.yard.record import Record
from tests.proof.yard.state import ABSENT, Label, State

PAUSE_MS = RETRY_MS


class CannotBegin(Exception):
    """A participant fails in its very first step."""


class Yard(Disturbances):
    """A `Model` of the engine."""

    def first(self) -> State:
        """Everything is switched on and connected; nothing was said yet that a supervisor has heard."""
        world = self._place.world
        said: list[int] = []
        numbers = []
        for node in self.nodes:
            step = node.first(world, self.budget.uptime)
            step = node.step(step.after, step.world, ("connect",))
            assert not step.wrong, step.wrong
            numbers.append(step.after)
            world = step.world
            said += step.said
        chief = self.supervisors[0]
        absent = [ABSENT] * (len(self.supervisors) - 1)
        channels = len(self.nodes) * len(self.supervisors) * 2
        state = State(
            (chief.started(1), *absent),
            tuple(numbers),
            ((),) * channels,
            self._retain((), said),
            None,
            self.worlds.number(world),
            self.judge.records.number(Record()),
            None,
            tuple(self.budget.may[name] for name in self._kinds),
        )
        state, wrong = self._connect_supervisor(state, 0)
        if wrong:
            raise CannotBegin(wrong)
        return self.rebased(state)

    def is_agreed(self, state: State) -> bool:
        """Nothing under way; who has not been replaced has met every goal, is sure of everything, and is right."""
        if any(state.queues):
            return False
        present = [
            steps.states[number]
            for steps, number in zip(self.supervisors, state.supervisors, strict=True)
            if number != ABSENT
        ]
        in_charge = [one for one in present if not one.replaced]
        gone = self.worlds.all[state.world].gone
        if not in_charge or not all(
            (one.settled or (gone and one.at_rest)) and one.linked for one in in_charge
        ):
            return False
        nodes = [steps.states[number] for steps, number in zip(self.nodes, state.nodes, strict=True)]
        return all(node.online and node.idle and not node.moving and not node.held for node in nodes)

    def edges(self, state: State) -> list[tuple[object, State, bool, str]]:
        """Every edge; those that change nothing are left out."""
        out: list[tuple[object, State, bool, str]] = []
        rebases = self.budget.calm
        for label, (after, wrong), disturbed in self._all(state):
            if after.seen is not None and not self._is_asked(after):
                after = after._replace(seen=None)  # An answer is for the question that was asked.
            if after == state:
                if not wrong:
                    continue
            elif rebases:
                after = self.rebased(after)
                if after == state and not wrong:
                    continue
            out.append((label, after, disturbed, wrong))
        return out

    def _all(self, state: State) -> Iterator[tuple[object, tuple[State, str], bool]]:
        quiet = not any(state.queues) and not (self.budget.calm and self._goes_on(state))
        yield from self._deliveries(state)
        for number, supervisor in enumerate(state.supervisors):
            if supervisor != ABSENT:
                yield from self._of_supervisor(state, number, quiet)
        for number in range(len(state.nodes)):
            yield from self._of_node(state, number, quiet)
        if state.left:
            yield from self._disturbances(state)

    def _deliveries(self, state: State) -> Iterator[tuple[object, tuple[State, str], bool]]:
        for channel, queue in enumerate(state.queues):
            if not queue:
                continue
            head = queue[0]
            rest = self._with_queue(state, channel, queue[1:])
            yield Label("deliver", self.messages, head[0]), self._deliver(rest, channel, head), False
            if self.budget.calm:
                return

    def _of_supervisor(
        self, state: State, number: int, quiet: bool
    ) -> Iterator[tuple[object, tuple[State, str], bool]]:
        steps = self.supervisors[number]
        known = steps.states[state.supervisors[number]]
        name = steps.name
        if not known.linked:
            yield f"{name} connects again", self._connect_supervisor(state, number), False
            return
        if self.budget.calm and any(state.queues):
            return
        yield f"{name} looks around", self._supervisor(state, number, ("tick", 0)), False
        if quiet:
            yield f"{name} repeats", self._supervisor(state, number, ("tick", PAUSE_MS)), False
        for asked in known.asked:
            if not self._can_be_looked_at(state, asked):
                continue
            found = self._answer(state, asked)
            yield (
                f"a person answers {name}: {asked.about} of {asked.place or asked.node or 'all'}: {found}",
                self._supervisor(
                    self._after_looking(state, asked),
                    number,
                    ("answer", asked.about, asked.node, asked.place, found),
                ),
                False,
            )
        for node in known.holds:
            yield f"a person lets {node} go on", self._supervisor(state, number, ("release", node)), False

    def _of_node(
        self, state: State, number: int, quiet: bool
    ) -> Iterator[tuple[object, tuple[State, str], bool]]:
        steps = self.nodes[number]
        known, name = steps.states[state.nodes[number]], steps.name
        if not known.online:
            yield f"{name} connects", self._node(state, number, ("connect",)), False
        may_go = (
            not any(state.queues)
            if self.budget.calm
            else self._under_way_from(state, number) <= self.budget.lag
        )
        if known.go_ms is not None and may_go:
            yield f"{name} goes on", self._node(state, number, ("go", known.go_ms)), False
        if known.go_ms is None and quiet and known.online:
            yield f"{name} says how it is", self._node(state, number, ("beat",)), False
        if not known.powered and quiet:
            yield f"{name} has motor power again", self._node(state, number, ("power", True)), False

    def _disturbances(self, state: State) -> Iterator[tuple[object, tuple[State, str], bool]]:
        for kind, left in zip(self._kinds, state.left, strict=True):
            if left:
                spent = self._spent(state, kind)
                for label, found in getattr(self, "_do_" + kind.replace(" ", "_").replace("-", "_"))(spent):
                    yield label, found, True
        if state.late is not None:
            channel, message, retain = state.late
            gone = state._replace(late=None)
            yield (
                Label("late:", self.messages, message),
                self._deliver(gone, channel, (message, retain)),
                True,
            )
        if state.seen is not None:
            number, asked, found = state.seen
            told = state._replace(seen=None)
            if state.supervisors[number] != ABSENT:
                what = ("answer", asked.about, asked.node, asked.place, found)
                yield f"a person says what was seen: {found}", self._supervisor(told, number, what), True

    def _is_asked(self, state: State) -> bool:
        """Whether what a person has seen is for a question that is open still: each has a number of its own."""
        assert state.seen is not None
        number, asked, _ = state.seen
        known = state.supervisors[number]
        return known != ABSENT and asked in self.supervisors[number].states[known].asked

    def _goes_on(self, state: State) -> bool:
        return any(
            steps.states[number].go_ms is not None
            for steps, number in zip(self.nodes, state.nodes, strict=True)
        )

    def _do_old_map(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        """What the broker keeps of a place is what it kept before the newest was published."""
        steps = list(self._deliveries(state))
        for number in self._working(state):
            steps += self._of_supervisor(state, number, quiet=False)
        for label, (after, wrong), _ in steps:
            kept = tuple(one for one in after.retained if "/yard-map/" not in one[0])
            maps = tuple(one for one in state.retained if "/yard-map/" in one[0])
            old = after._replace(retained=tuple(sorted((*kept, *maps))))
            if old != after:
                yield f"{label}; the yard-map of it is lost", (old, wrong)
