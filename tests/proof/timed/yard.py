"""One supervisor and one crane with time that counts: what may come when, and what must hold of it.

A person has told the supervisor what stands where. It claims the crane and homes it; then nothing is left but
heartbeats, for ever. Messages to and fro keep
their order and take up to `way_ms` each, those that were published at one time the same. What is under way from the
crane may be lost all at once (`lost`), a copy of a job may stay under way for as long as it likes (`late`), and the
crane may be without its connection (`away`); what it says meanwhile is lost.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from protocol.specification import specification
from reference_node.supervisor.send.messages import SUBSCRIBED
from tests.proof.timed.clocks import GRAIN_MS, with_ages
from tests.proof.timed.steps import TimedMessages, TimedNode, TimedSupervisor
from tests.proof.yard.node_steps import NodeStep
from tests.proof.yard.participants import CATALOGUE_OF_ALL
from tests.proof.yard.sites import CHIEF, one_crane
from tests.proof.yard.supervisor_steps import SupervisorStep
from tests.proof.yard.world import World

TIMING = specification().timing
SILENCE_MS = specification().most_ms("state_silence")
LEAD_MS = specification().most_ms("order_lead")
BEAT_MS = specification().most_ms("state_repeat")
REPEAT_LEAST_MS, REPEAT_MOST_MS = TIMING["order_repeat"].least or 0, specification().most_ms("order_repeat")
NEVER = -1

Queue = tuple[tuple[int, int], ...]
"""Messages under way with their ages in ms, the oldest first."""
Edge = tuple[object, "TimedState", bool, str]


@dataclass(frozen=True, slots=True)
class TimedBudget:
    """What the net may do."""

    way_ms: int = 0
    """So long a message is under way at most, in each direction."""
    lost: int = 0
    """So often what is under way from the crane is lost."""
    late: int = 0
    """So often a copy of a job stays under way for any time."""
    away: int = 0
    """So often the crane loses its connection, for any time."""
    may_doubt: bool = False
    """Whether the supervisor may find the crane silent; otherwise that is a violation."""

    @property
    def name(self) -> str:
        """For tables."""
        told = [f"way up to {self.way_ms} ms"]
        told += [f"{self.lost} lost"] if self.lost else []
        told += [name for name, count in (("late order", self.late), ("node down", self.away)) if count]
        return ", ".join(told)


class TimedState(NamedTuple):
    """One state; ages in ms, each up to the longest bound that it is compared with."""

    supervisor: int
    node: int
    world: World
    to_supervisor: Queue
    to_node: Queue
    late: int
    """A copy of an order that may still come, NEVER without one."""
    behind: bool
    """Whether it is 1 ms behind a multiple of the grain."""
    left: tuple[int, int, int]
    """Losses, late orders, and losses of the connection that may still come."""
    heard: int
    """Since the crane's newest word came."""
    said: int
    """Since the crane published its newest crane-status; NEVER while it is away."""
    given: tuple[tuple[int, int, int], ...]
    """Orders that are open: id, since it was given, since it was sent last."""


class TimedYard:
    """A `Model` of the engine."""

    def __init__(self, budget: TimedBudget) -> None:
        self.budget, self.site = budget, one_crane(qos=0 if budget.lost else 1)
        catalogue = with_ages(CATALOGUE_OF_ALL)
        self.messages = TimedMessages(self.site)
        self.node = TimedNode(self.site, "crane", catalogue, self.messages)
        self.chief = TimedSupervisor(self.site, CHIEF, catalogue, self.messages, (), 1)

    # ------------------------------------------------------------ the model
    def first(self) -> TimedState:
        """Both are switched on, the crane is connected, the supervisor connects."""
        left = (self.budget.lost, self.budget.late, self.budget.away)
        begun = self.node.first(World())
        told = tuple((place.name, ("",) * place.slots) for place in self.site.places.values())
        state = TimedState(
            self.chief.started(1, told), begun.after, begun.world, (), (), NEVER, False, left, 0, 0, ()
        )
        state, wrong = self._node(state, ("connect",))
        after, also = self._supervisor(state._replace(to_supervisor=()), ("connect",))
        assert not wrong, wrong
        assert not also, also
        return after

    def is_agreed(self, state: TimedState) -> bool:
        """The crane is owned and homed, nothing is open, and nothing under way."""
        known = self.chief.known(state.supervisor)
        quiet = not state.to_node and not state.to_supervisor and not known.orders
        return quiet and known.belief == "owned" and known.mode == "ready"

    def edges(self, state: TimedState) -> list[Edge]:
        """Every edge."""
        return list(self._all(state))

    def _all(self, state: TimedState) -> Iterator[Edge]:
        yield from self._deliveries(state)
        yield from self._disturbances(state)
        if not self.node.states[state.node].online:
            yield ("the crane connects", *self._edge(self._node(state, ("connect",)), disturbed=False))
        yield from self._people(state)
        by_ms = GRAIN_MS - 1 if state.behind else 1
        under_way = [age for queue in (state.to_node, state.to_supervisor) for _, age in queue]
        if all(age + by_ms <= self.budget.way_ms for age in under_way):
            yield (f"{by_ms} ms pass", *self._edge(self._pass(state, by_ms), disturbed=False))

    def _people(self, state: TimedState) -> Iterator[Edge]:
        """A person answers what is asked by what is so, and lets go what is held."""
        known = self.chief.states[state.supervisor]
        for asked in known.asked:
            slots = self.site.places[asked.place].slots if asked.place else 1
            found = ("",) * slots if asked.about in ("slots", "spreader") else ()
            what = ("answer", asked.about, asked.node, asked.place, found)
            yield (
                f"a person answers {asked.about}",
                *self._edge(self._supervisor(state, what), disturbed=False),
            )
        for node in known.holds:
            found_out = self._supervisor(state, ("release", node))
            yield (f"a person lets {node} go on", *self._edge(found_out, disturbed=False))

    def _edge(self, found: tuple[TimedState, str], *, disturbed: bool) -> tuple[TimedState, bool, str]:
        return found[0], disturbed, found[1]

    def _deliveries(self, state: TimedState) -> Iterator[Edge]:
        for to_node in (True, False):
            queue = state.to_node if to_node else state.to_supervisor
            if queue:
                what = f"deliver {self.messages[queue[0][0]]}"
                rest = self._without_first(state, to_node=to_node)
                yield (what, *self._edge(self._deliver(rest, queue[0][0], to_node=to_node), disturbed=False))

    def _without_first(self, state: TimedState, *, to_node: bool) -> TimedState:
        """What was published with the first is due as well: it does not wait for more time to pass."""
        (_, age), *rest = state.to_node if to_node else state.to_supervisor
        left = tuple((one, self.budget.way_ms if same == age else same) for one, same in rest)
        return state._replace(to_node=left) if to_node else state._replace(to_supervisor=left)

    def _deliver(self, state: TimedState, message: int, *, to_node: bool) -> tuple[TimedState, str]:
        if not to_node:
            return self._supervisor(state._replace(heard=0), ("deliver", message, False))
        online = self.node.states[state.node].online
        return self._node(state, ("deliver", message)) if online else (state, "")

    def _disturbances(self, state: TimedState) -> Iterator[Edge]:
        lost, late, away = state.left
        if state.to_supervisor and lost:
            rest = state._replace(to_supervisor=(), left=(lost - 1, late, away))
            yield f"lost: {len(state.to_supervisor)} messages of the crane", rest, True, ""
        if late and state.to_node and "deadline" in self.messages[state.to_node[0][0]].body:
            copy = state.to_node[0][0]
            kept = state._replace(late=copy, left=(lost, late - 1, away))
            yield f"a copy stays under way: {self.messages[copy]}", kept, True, ""
        if state.late != NEVER:
            found = self._deliver(state._replace(late=NEVER), state.late, to_node=True)
            yield (f"late: {self.messages[state.late]}", *self._edge(found, disturbed=True))
        if away and self.node.states[state.node].online:
            bare = state._replace(to_node=(), to_supervisor=(), left=(lost, late, away - 1), said=NEVER)
            found = self._node(bare, ("disconnect",))
            yield ("the crane loses its connection", *self._edge(found, disturbed=True))

    # ------------------------------------------------------------ time
    def _pass(self, state: TimedState, by_ms: int) -> tuple[TimedState, str]:
        """Time passes: for what is under way, for every age, at the node, at the supervisor."""
        state = state._replace(
            to_node=self._aged(state.to_node, by_ms),
            to_supervisor=self._aged(state.to_supervisor, by_ms),
            late=NEVER if state.late == NEVER else self.messages.later(state.late, by_ms),
            behind=not state.behind,
            heard=min(state.heard + by_ms, SILENCE_MS + 1),
            said=NEVER if state.said == NEVER else state.said + by_ms,
            given=tuple(
                (id_, min(given + by_ms, LEAD_MS + 1), sent + by_ms) for id_, given, sent in state.given
            ),
        )
        state, wrong = self._node(state, ("pass", by_ms))
        if state.said > BEAT_MS:
            wrong = wrong or f"the crane says nothing for {state.said} ms [MSG-02]"
        state, also = self._supervisor(state, ("pass", by_ms))
        return state, wrong or also or self._repeated_too_late(state)

    def _aged(self, queue: Queue, by_ms: int) -> Queue:
        return tuple((self.messages.later(message, by_ms), age + by_ms) for message, age in queue)

    def _repeated_too_late(self, state: TimedState) -> str:
        if self.chief.known(state.supervisor).belief != "owned":
            return ""
        waits = [one for one in state.given if one[2] > REPEAT_MOST_MS]
        return f"order {waits[0][0]} is not repeated for {waits[0][2]} ms [SUP-05]" if waits else ""

    # ------------------------------------------------------------ participants
    def _node(self, state: TimedState, what: tuple[object, ...]) -> tuple[TimedState, str]:
        step = self.node.step(state.node, state.world, what)
        heard = step.said if self.node.states[step.after].online or what == ("disconnect",) else ()
        said = tuple((one, 0) for one in heard if self.messages[one].name in SUBSCRIBED)
        told = any(self.messages[one].name == "crane-status" for one in heard)
        after = state._replace(
            node=step.after,
            world=step.world,
            to_supervisor=state.to_supervisor + said,
            said=0 if told else state.said,
        )
        return after, step.wrong or self._moved_too_late(state, step)

    def _moved_too_late(self, state: TimedState, step: NodeStep) -> str:
        """No order starts anything later than `order_lead` after it was given, by the time of who gave it."""
        for deed, _, id_ in step.deeds:
            given = next((one[1] for one in state.given if one[0] == id_), 0)
            if deed == "moved" and given > LEAD_MS:
                return f"order {id_} moves the crane more than {LEAD_MS} ms after it was given [SUP-18]"
        return ""

    def _supervisor(self, state: TimedState, what: tuple[object, ...]) -> tuple[TimedState, str]:
        step = self.chief.step(state.supervisor, what, lambda: self._tokens_about(state))
        if step.wrong:
            return state, step.wrong
        before, known = self.chief.known(state.supervisor), self.chief.known(step.after)
        wrong = ""
        if before.belief == "owned" and known.belief == "doubted" and not self.budget.may_doubt:
            wrong = f"the crane is found silent {state.heard} ms after its newest word"
        given, also = self._given(state, step)
        if not self.node.states[state.node].online:
            orders: Queue = ()
        else:
            orders = tuple((one, 0) for one in step.said if self.messages[one].name == "job-order")
        return (
            state._replace(supervisor=step.after, to_node=state.to_node + orders, given=given),
            wrong or also,
        )

    def _given(self, state: TimedState, step: SupervisorStep) -> tuple[tuple[tuple[int, int, int], ...], str]:
        """The open orders with their ages; what was given or repeated when it must not be."""
        known, wrong = self.chief.known(step.after), ""
        ages = {id_: (given, sent) for id_, given, sent in state.given}
        for number in step.said:
            body = self.messages[number].body
            if body.get("act") not in specification().jobs:
                continue
            given, sent = ages.get(body["id"], (0, NEVER))
            if 0 <= sent < REPEAT_LEAST_MS:
                wrong = wrong or f"order {body['id']} is repeated after {sent} ms [SUP-05]"
            ages[body["id"]] = (given, 0)
        late = {self.messages[state.late].body.get("id")} if state.late != NEVER else set()
        kept = {*known.orders, *late, *(self.messages[one].body.get("id") for one, _ in state.to_node)}
        return (
            tuple(
                (id_, given, sent if id_ in known.orders else 0)
                for id_, (given, sent) in sorted(ages.items())
                if id_ in kept
            ),
            wrong,
        )

    def _tokens_about(self, state: TimedState) -> frozenset[int]:
        under_way = [one for one, _ in (*state.to_node, *state.to_supervisor)]
        under_way += [state.late] if state.late != NEVER else []
        kept = self.node.states[state.node].tokens
        return frozenset((*kept, *(token for one in under_way for token in self.messages[one].tokens)))


def timed() -> tuple[TimedBudget, ...]:
    """What is explored, each to its end."""
    return (
        TimedBudget(),
        TimedBudget(way_ms=1),
        TimedBudget(lost=1),
        TimedBudget(way_ms=1, lost=1),
        TimedBudget(late=1),
    )
