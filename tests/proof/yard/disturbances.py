"""Every disturbance, as edges: `state` is that in which it has been spent already."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from reference_node.snapshot.supervisor_fields import GIVE_UP_MS, SILENT_MS
from reference_node.supervisor.send.messages import hold_for
from tests.proof.yard.people import People
from tests.proof.yard.sites import CHIEF, DEPUTY
from tests.proof.yard.state import ABSENT, Label, State
from tests.proof.yard.world import World

EARLY_MS = 1_000


class Disturbances(People):
    """What may go wrong, each by a method of its name."""

    def _do_lose(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            if queue and self.messages[queue[0][0]].publication.qos == 0:
                yield (
                    Label("lost:", self.messages, queue[0][0]),
                    (self._with_queue(state, channel, queue[1:]), ""),
                )

    def _do_repeat(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            if queue and self.messages[queue[0][0]].publication.qos == 1:
                yield (
                    Label("a first copy of", self.messages, queue[0][0]),
                    self._deliver(state, channel, queue[0]),
                )

    def _do_overtake(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            topics: set[str] = set()
            for place, one in enumerate(queue):
                topic = self.messages[one[0]].topic
                if place and topic not in topics:
                    rest = self._with_queue(state, channel, (*queue[:place], *queue[place + 1 :]))
                    yield Label("overtaking:", self.messages, one[0]), self._deliver(rest, channel, one)
                topics.add(topic)

        if self.budget.calm:
            yield from self._out_of_turn(state)

    def _out_of_turn(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        waiting = [channel for channel, queue in enumerate(state.queues) if queue]
        for channel in waiting[1:]:
            head = state.queues[channel][0]
            rest = self._with_queue(state, channel, state.queues[channel][1:])
            yield Label("out of turn:", self.messages, head[0]), self._deliver(rest, channel, head)
        for number, name in enumerate(self.node_names if waiting else ()):
            go_ms = self.nodes[number].states[state.nodes[number]].go_ms
            if go_ms is not None:
                yield f"{name} goes on out of turn", self._node(state, number, ("go", go_ms))

    def _do_late_order(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._keep_copies(state, to_nodes=True)

    def _do_late_word(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._keep_copies(state, to_nodes=False)

    def _keep_copies(self, state: State, *, to_nodes: bool) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            if queue and state.late is None and self._is_to_node(channel) == to_nodes:
                head = queue[0]
                rest = self._with_queue(state, channel, queue[1:])._replace(late=(channel, *head))
                yield (
                    Label("deliver, and a copy stays on its way:", self.messages, head[0]),
                    self._deliver(rest, channel, head),
                )

    def _do_early(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            yield (
                f"{self.supervisor_names[number]} repeats early",
                self._supervisor(state, number, ("tick", EARLY_MS)),
            )

    def _do_give_up(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            what = ("tick", GIVE_UP_MS)
            yield (
                f"{self.supervisor_names[number]} hears nothing for long",
                self._supervisor(state, number, what),
            )

    def _do_silence(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            what = ("tick", SILENT_MS)
            yield (
                f"{self.supervisor_names[number]} hears nothing for a while",
                self._supervisor(state, number, what),
            )

    def _do_expiry(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._each_node(state, ("expire",), "time passes at")

    def _do_fault(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._each_node(state, ("jam",), "the machine jams at")

    def _do_power(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._each_node(state, ("power", False), "motor power is removed at")

    def _each_node(
        self, state: State, what: tuple[Any, ...], how: str
    ) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            yield f"{how} {name}", self._node(state, number, what)

    def _do_node_down(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            if self.nodes[number].states[state.nodes[number]].online:
                yield (
                    f"{name} loses its connection",
                    self._node(self._nothing_to(state, number), number, ("disconnect",)),
                )

    def _do_reset(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            record = self.judge.records.number(self.judge.records.all[state.record].after_reset(name))
            bare = self._nothing_to(state, number)._replace(record=record)
            yield f"{name} restarts", self._node(bare, number, ("reset",))

    def _do_outage(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            bare = self._nothing_to_supervisor(state, number)
            yield (
                f"{self.supervisor_names[number]} loses its connection",
                self._supervisor(bare, number, ("disconnect",)),
            )

    def _do_restart(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        yield f"{CHIEF} restarts", self._restarted(state, ())

    def _do_told(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        world: World = self.worlds.all[state.world]
        contents = tuple(
            (place.name, tuple(world.box_at((place.name, slot)) for slot in range(place.slots)))
            for place in self.site.places.values()
        )
        yield f"{CHIEF} restarts and is told {contents}", self._restarted(state, contents)

    def _restarted(
        self, state: State, contents: tuple[tuple[str, tuple[str, ...]], ...]
    ) -> tuple[State, str]:
        boot = self.supervisors[0].states[state.supervisors[0]].boot + 1
        fresh = self.supervisors[0].started(boot, contents)
        bare = self._nothing_to_supervisor(state, 0)
        return self._connect_supervisor(bare._replace(supervisors=(fresh, *bare.supervisors[1:])), 0)

    def _do_second(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        if state.supervisors[1] == ABSENT:
            fresh = self.supervisors[1].started(1)
            came = state._replace(supervisors=(state.supervisors[0], fresh))
            yield f"{DEPUTY} comes", self._connect_supervisor(came, 1)

    def _do_cancel(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            for node in self.supervisors[number].states[state.supervisors[number]].jobs:
                yield f"a person cancels the job of {node}", self._supervisor(state, number, ("cancel", node))

    def _do_hold(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            for node in self.node_names:
                yield f"a person holds {node}", self._supervisor(state, number, ("hold", node))

    def _do_other_hold(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            message = self.messages.number(hold_for(self.site, name, "both"))
            if self.nodes[number].states[state.nodes[number]].online:
                yield f"somebody holds {name}", self._node(state, number, ("deliver", message))

    def _do_stale_answer(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        if state.seen is not None:
            return
        for number in self._working(state):
            for asked in self.supervisors[number].states[state.supervisors[number]].asked:
                if not self._can_be_looked_at(state, asked):
                    continue
                found = self._answer(state, asked)
                yield (
                    f"a person sees {found} and says nothing yet",
                    (state._replace(seen=(number, asked, found)), ""),
                )

    def _spent(self, state: State, kind: str) -> State:
        place = self._kinds.index(kind)
        left = state.left
        return state._replace(left=(*left[:place], left[place] - 1, *left[place + 1 :]))
