"""The yard as a model to explore: shipped participants, and the net, the clock and the people around them.

**Net.** One queue from each node to each supervisor and back, in the order of publication; a message may be lost
(QoS 0), repeated (QoS 1), overtaken by messages on other topics, or delivered once more much later, each as a
disturbance. Order on one topic is always kept but for what comes late. A broker keeps retained messages and hands them to
whoever subscribes. Nodes connect with clean sessions: what is under way to one that loses its connection is gone.

**Time.** Nobody's clock is compared with another's, so each participant's time goes on by itself. That a machine
goes on, that a heartbeat or a repeat is due, are edges that can be taken at any time; how much time they took is not kept, but
for what a participant compares it with: then time that is too long (`give-up`, `silence`, `expiry`) is an edge that
can be taken at any time too. So each order of events that some timing brings about is among the runs. An undisturbed
supervisor repeats once nothing is under way any more, a disturbed one (`early`) at any time; and a heartbeat comes once
nothing is under way: what it says is what the node's state messages say in any case.

**People.** Questions are answered by what is so, or (`stale answer`) by what was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from protocol.site import Site
from protocol.topics import Topic
from reference_node.controller.controller import Controller
from reference_node.snapshot.catalogue import CATALOGUE
from reference_node.snapshot.supervisor_fields import GIVE_UP_MS, RETRY_MS, SILENT_MS
from reference_node.supervisor.plan.goals import Admit, Goal, Move
from reference_node.supervisor.send.messages import SUBSCRIBED, hold_for
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.yard.budget import DISTURBANCES, Budget
from tests.proof.yard.chance import CHANCE_PLANS, ModelController
from tests.proof.yard.machines import MACHINE_PLANS
from tests.proof.yard.messages import Messages
from tests.proof.yard.node_steps import NodeStep, NodeSteps
from tests.proof.yard.record import Record
from tests.proof.yard.sites import CHIEF, DEPUTY, crane_and_berth, one_crane, two_cranes_and_a_shuttle
from tests.proof.yard.supervisor_steps import Asked, Belief, SupervisorSteps
from tests.proof.yard.world import World

PAUSE_MS = RETRY_MS
EARLY_MS = 1_000
ABSENT = -1
CATALOGUE_OF_ALL = CATALOGUE.with_plans({**MACHINE_PLANS, **CHANCE_PLANS})

Queue = tuple[tuple[int, bool], ...]
"""Messages under way with their retain flag, the oldest first."""


class Place(NamedTuple):
    """One of the sites, with how everything stands in it at first and what is wanted."""

    site: Site
    world: World
    goals: tuple[Goal, ...]


PLACES = {
    "crane": Place(
        one_crane(), World(boxes=((("left", 0), "A"),)), (Move("A", "right", 0),)
    ),
    "crane, no load sensor": Place(
        one_crane(load_sensor=False), World(boxes=((("left", 0), "A"),)), (Move("A", "right", 0),)
    ),
    "crane, QoS 0": Place(
        one_crane(qos=0), World(boxes=((("left", 0), "A"),)), (Move("A", "right", 0),)
    ),
    "shuttle": Place(
        two_cranes_and_a_shuttle(),
        World(boxes=((("quay", 0), "A"),), stands=(("ferry", "here"),)),
        (Move("A", "yard", 0),),
    ),
    "berth": Place(
        crane_and_berth(),
        World(boxes=((("yard", 0), "A"),), trains=(("siding", "away"),)),
        (Admit("siding", brings=("",)), Move("A", "track", 0)),
    ),
}  # fmt: skip


class State(NamedTuple):
    """One state of the yard; participants, world and record by number."""

    supervisors: tuple[int, ...]
    nodes: tuple[int, ...]
    queues: tuple[Queue, ...]
    retained: tuple[tuple[str, int], ...]
    late: tuple[int, int, bool] | None
    """A copy that may still come: channel, message, whether it was kept at all yet."""
    world: int
    record: int
    seen: tuple[Any, ...] | None
    """What a person has seen and not said yet: question and answer."""
    left: tuple[int, ...]
    """How often each disturbance may still come."""


class Numbered:
    """Values by number."""

    def __init__(self) -> None:
        self.all: list[Any] = []
        self._number: dict[Any, int] = {}

    def number(self, value: Any) -> int:
        found = self._number.get(value)
        if found is None:
            found = self._number[value] = len(self.all)
            self.all.append(value)
        return found


class Yard:
    """A `Model` of the engine. `supervisor` and `controller` may be variants with a rule taken away."""

    def __init__(
        self,
        budget: Budget,
        supervisor: type[Supervisor] = Supervisor,
        controller: type[Controller] = ModelController,
    ) -> None:
        place = PLACES[budget.site]
        self.budget, self.site, self._place = budget, place.site, place
        self.messages = Messages()
        self.node_names = tuple(name for name, node in self.site.nodes.items() if not node.is_supervisor)
        self.supervisor_names = (CHIEF, DEPUTY) if budget.may.get("second") else (CHIEF,)
        self.nodes = [
            NodeSteps(self.site, name, CATALOGUE_OF_ALL, self.messages, controller) for name in self.node_names
        ]
        self.supervisors = [
            SupervisorSteps(
                self.site, name, CATALOGUE_OF_ALL, self.messages, place.goals, 0 if budget.same_part else part, supervisor
            )
            for part, name in enumerate(self.supervisor_names, start=1)
        ]
        self.worlds, self.records = Numbered(), Numbered()
        self._kinds = [name for name in DISTURBANCES if budget.may.get(name)]
        self._keeps_retained = any(budget.may.get(one) for one in ("outage", "restart", "second", "told", "old map"))
        self._deeds: dict[Any, tuple[int, str]] = {}
        self._endings: dict[Any, tuple[int, str]] = {}
        self._beliefs: dict[Any, str] = {}
        self._labels = place.world.labels

    # ------------------------------------------------------------ the engine's questions
    def first(self) -> State:
        """Everything is switched on and connected; nothing was said yet that a supervisor has heard."""
        world, said = self._place.world, []
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
            self.records.number(Record()),
            None,
            tuple(self.budget.may[name] for name in self._kinds),
        )
        state, wrong = self._connect_supervisor(state, 0)
        assert not wrong, wrong
        return state

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
        if not in_charge or not all(one.settled and one.linked for one in in_charge):
            return False
        nodes = [steps.states[number] for steps, number in zip(self.nodes, state.nodes, strict=True)]
        return all(node.online and node.idle and not node.moving and not node.held for node in nodes)

    def edges(self, state: State) -> list[tuple[object, State, bool, str]]:
        """Every edge; those that change nothing are left out."""
        out: list[tuple[object, State, bool, str]] = []
        for label, found, disturbed in self._all(state):
            after, wrong = found
            if after == state and not wrong:
                continue
            out.append((label, after, disturbed, wrong))
        return out

    # ------------------------------------------------------------ edges
    def _all(self, state: State) -> Iterator[tuple[object, tuple[State, str], bool]]:
        quiet = not any(state.queues)
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
            yield Label("deliver", self, head[0]), self._deliver(rest, channel, head), False

    def _of_supervisor(
        self, state: State, number: int, quiet: bool
    ) -> Iterator[tuple[object, tuple[State, str], bool]]:
        steps = self.supervisors[number]
        known = steps.states[state.supervisors[number]]
        name = steps.name
        if not known.linked:
            yield f"{name} connects again", self._connect_supervisor(state, number), False
            return
        yield f"{name} looks around", self._supervisor(state, number, ("tick", 0)), False
        if quiet:
            yield f"{name} repeats", self._supervisor(state, number, ("tick", PAUSE_MS)), False
        for asked in known.asked:
            found = self._answer(state, asked)
            yield (
                f"a person answers {name}: {asked.about} of {asked.place or asked.node or 'all'}: {found}",
                self._supervisor(self._after_looking(state, asked), number, ("answer", asked.about, asked.node, asked.place, found)),
                False,
            )
        for node in known.holds:
            yield f"a person lets {node} go on", self._supervisor(state, number, ("release", node)), False

    def _of_node(self, state: State, number: int, quiet: bool) -> Iterator[tuple[object, tuple[State, str], bool]]:
        steps = self.nodes[number]
        known, name = steps.states[state.nodes[number]], steps.name
        if not known.online:
            yield f"{name} connects", self._node(state, number, ("connect",)), False
        if known.go_ms is not None and self._under_way_from(state, number) <= self.budget.lag:
            yield f"{name} goes on", self._node(state, number, ("go", known.go_ms)), False
        if known.go_ms is None and quiet and known.online:
            yield f"{name} says how it is", self._node(state, number, ("beat",)), False
        if not known.powered:
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
            yield Label("late:", self, message), self._deliver(gone, channel, (message, retain)), True
        if state.seen is not None:
            number, asked, found = state.seen
            told = state._replace(seen=None)
            if state.supervisors[number] != ABSENT:
                what = ("answer", asked.about, asked.node, asked.place, found)
                yield f"a person says what was seen: {found}", self._supervisor(told, number, what), True

    # ------------------------------------------------------------ disturbances; `state` has it spent already
    def _do_lose(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            if queue and self.messages[queue[0][0]].publication.qos == 0:
                yield Label("lost:", self, queue[0][0]), (self._with_queue(state, channel, queue[1:]), "")

    def _do_repeat(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            if queue and self.messages[queue[0][0]].publication.qos == 1:
                yield Label("a first copy of", self, queue[0][0]), self._deliver(state, channel, queue[0])

    def _do_overtake(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            topics: set[str] = set()
            for place, one in enumerate(queue):
                topic = self.messages[one[0]].topic
                if place and topic not in topics:
                    rest = self._with_queue(state, channel, (*queue[:place], *queue[place + 1 :]))
                    yield Label("overtaking:", self, one[0]), self._deliver(rest, channel, one)
                topics.add(topic)

    def _do_late_order(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._keep_copies(state, to_nodes=True)

    def _do_late_word(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._keep_copies(state, to_nodes=False)

    def _keep_copies(self, state: State, *, to_nodes: bool) -> Iterable[tuple[object, tuple[State, str]]]:
        for channel, queue in enumerate(state.queues):
            if queue and state.late is None and self._is_to_node(channel) == to_nodes:
                head = queue[0]
                rest = self._with_queue(state, channel, queue[1:])._replace(late=(channel, *head))
                yield Label("deliver, and a copy stays on its way:", self, head[0]), self._deliver(rest, channel, head)

    def _do_early(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            yield f"{self.supervisor_names[number]} repeats early", self._supervisor(state, number, ("tick", EARLY_MS))

    def _do_give_up(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            what = ("tick", GIVE_UP_MS)
            yield f"{self.supervisor_names[number]} hears nothing for long", self._supervisor(state, number, what)

    def _do_silence(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            what = ("tick", SILENT_MS)
            yield f"{self.supervisor_names[number]} hears nothing for a while", self._supervisor(state, number, what)

    def _do_expiry(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._each_node(state, ("expire",), "time passes at")

    def _do_fault(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._each_node(state, ("jam",), "the machine jams at")

    def _do_power(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        return self._each_node(state, ("power", False), "motor power is removed at")

    def _each_node(self, state: State, what: tuple[Any, ...], how: str) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            yield f"{how} {name}", self._node(state, number, what)

    def _do_node_down(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            if self.nodes[number].states[state.nodes[number]].online:
                yield f"{name} loses its connection", self._node(self._nothing_to(state, number), number, ("disconnect",))

    def _do_reset(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number, name in enumerate(self.node_names):
            record = self.records.number(self.records.all[state.record].after_reset(name))
            bare = self._nothing_to(state, number)._replace(record=record)
            yield f"{name} starts anew", self._node(bare, number, ("reset",))

    def _do_outage(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        for number in self._working(state):
            bare = self._nothing_to_supervisor(state, number)
            yield f"{self.supervisor_names[number]} loses its connection", self._supervisor(bare, number, ("disconnect",))

    def _do_restart(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        yield f"{CHIEF} starts anew", self._restarted(state, ())

    def _do_told(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        world: World = self.worlds.all[state.world]
        contents = tuple(
            (place.name, tuple(world.box_at((place.name, slot)) for slot in range(place.slots)))
            for place in self.site.places.values()
        )
        yield f"{CHIEF} starts anew and is told {contents}", self._restarted(state, contents)

    def _restarted(self, state: State, contents: tuple[tuple[str, tuple[str, ...]], ...]) -> tuple[State, str]:
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

    def _do_old_map(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        """What the broker keeps of a place is what it kept before the newest was published."""
        return ()

    def _do_stale_answer(self, state: State) -> Iterable[tuple[object, tuple[State, str]]]:
        if state.seen is not None:
            return
        for number in self._working(state):
            for asked in self.supervisors[number].states[state.supervisors[number]].asked:
                found = self._answer(state, asked)
                yield f"a person sees {found} and says nothing yet", (state._replace(seen=(number, asked, found)), "")

    # ------------------------------------------------------------ the net
    def _channel(self, supervisor: int, node: int, *, to_node: bool) -> int:
        return (supervisor * len(self.nodes) + node) * 2 + to_node

    def _is_to_node(self, channel: int) -> bool:
        return bool(channel % 2)

    def _with_queue(self, state: State, channel: int, queue: Queue) -> State:
        queues = state.queues
        return state._replace(queues=(*queues[:channel], queue, *queues[channel + 1 :]))

    def _deliver(self, state: State, channel: int, head: tuple[int, bool]) -> tuple[State, str]:
        pair, to_node = divmod(channel, 2)
        supervisor, node = divmod(pair, len(self.nodes))
        if to_node:
            if not self.nodes[node].states[state.nodes[node]].online:
                return state, ""
            return self._node(state, node, ("deliver", head[0]))
        known = state.supervisors[supervisor]
        if known == ABSENT or not self.supervisors[supervisor].states[known].linked:
            return state, ""
        return self._supervisor(state, supervisor, ("deliver", head[0], head[1]))

    def _under_way_from(self, state: State, node: int) -> int:
        return max(
            len(state.queues[self._channel(number, node, to_node=False)]) for number in range(len(self.supervisors))
        )

    def _nothing_to(self, state: State, node: int) -> State:
        for number in range(len(self.supervisors)):
            state = self._with_queue(state, self._channel(number, node, to_node=True), ())
        return state

    def _nothing_to_supervisor(self, state: State, number: int) -> State:
        for node in range(len(self.nodes)):
            state = self._with_queue(state, self._channel(number, node, to_node=False), ())
        return state

    def _retain(self, retained: tuple[tuple[str, int], ...], said: Iterable[int]) -> tuple[tuple[str, int], ...]:
        if not self._keeps_retained:
            return retained
        kept = dict(retained)
        for number in said:
            message = self.messages[number]
            if message.publication.retain and message.name != "node-status":
                kept[message.topic] = number
        return tuple(sorted(kept.items()))

    def _connect_supervisor(self, state: State, number: int) -> tuple[State, str]:
        """It gets what is retained, then whatever is said from now on."""
        name = self.supervisor_names[number]
        own = str(Topic(self.site.name, name, "yard-map", "x"))[:-1]
        before = self._supervisor(state, number, ("connect",))
        wrong = before[1]
        state = before[0]
        for topic, message in state.retained:
            if topic.startswith(own):
                state, also = self._supervisor(state, number, ("deliver", message, True))
                wrong = wrong or also
            elif self.messages[message].name in SUBSCRIBED:
                channel = self._channel(number, self.node_names.index(self.messages[message].node), to_node=False)
                state = self._with_queue(state, channel, ((message, True), *state.queues[channel]))
        return state, wrong

    # ------------------------------------------------------------ steps of participants
    def _node(self, state: State, number: int, what: tuple[Any, ...]) -> tuple[State, str]:
        steps = self.nodes[number]
        before: World = self.worlds.all[state.world]
        step = steps.step(state.nodes[number], before, what)
        if step.wrong:
            return state, step.wrong
        record, wrong = self._recorded(state.record, number, step)
        if step.world.labels != self._labels:
            wrong = wrong or f"boxes are {step.world.labels}, and were {self._labels}"
        nodes = (*state.nodes[:number], step.after, *state.nodes[number + 1 :])
        queues = state.queues
        if step.said:
            queues = self._said_by_node(state, number, step.said)
        after = state._replace(
            nodes=nodes,
            queues=queues,
            retained=self._retain(state.retained, step.said),
            world=self.worlds.number(step.world),
            record=record,
        )
        if step.moved:
            wrong = wrong or self._hand(after, steps.name)
        if step.world != before:
            wrong = wrong or self._false_belief(after)
        return after, wrong

    def _said_by_node(self, state: State, number: int, said: tuple[int, ...]) -> tuple[Queue, ...]:
        queues = list(state.queues)
        fresh = tuple((one, False) for one in said if self.messages[one].name in SUBSCRIBED)
        for supervisor, known in enumerate(state.supervisors):
            if known != ABSENT and self.supervisors[supervisor].states[known].linked:
                queues[self._channel(supervisor, number, to_node=False)] += fresh
        return tuple(queues)

    def _supervisor(self, state: State, number: int, what: tuple[Any, ...]) -> tuple[State, str]:
        avoid = 0
        if state.late is not None:
            avoid = int(self.messages[state.late[1]].body.get("token", 0))
        steps = self.supervisors[number]
        step = steps.step(state.supervisors[number], what, avoid)
        if step.wrong:
            return state, step.wrong
        record, wrong = state.record, ""
        if step.ended:
            record, wrong = self._ended(state.record, step.ended)
        supervisors = (*state.supervisors[:number], step.after, *state.supervisors[number + 1 :])
        queues = state.queues
        if step.said:
            queues = self._said_by_supervisor(state, number, step.said)
        after = state._replace(
            supervisors=supervisors, queues=queues, retained=self._retain(state.retained, step.said), record=record
        )
        if step.after != state.supervisors[number]:
            wrong = wrong or self._false_belief(after) or self._sent_into_motion(state, after, number)
        return after, wrong

    def _said_by_supervisor(self, state: State, number: int, said: tuple[int, ...]) -> tuple[Queue, ...]:
        queues = list(state.queues)
        for one in said:
            message = self.messages[one]
            if message.name != "job-order":
                continue
            node = self.node_names.index(message.node)
            if self.nodes[node].states[state.nodes[node]].online:
                queues[self._channel(number, node, to_node=True)] += ((one, False),)
        return tuple(queues)

    # ------------------------------------------------------------ properties
    def _recorded(self, record: int, number: int, step: NodeStep) -> tuple[int, str]:
        if not step.deeds:
            return record, ""
        key = (record, number, step.deeds)
        found = self._deeds.get(key)
        if found is None:
            after, wrong = self.records.all[record].after_deeds(self.node_names[number], step.deeds)
            found = self._deeds[key] = (self.records.number(after), wrong)
        return found

    def _ended(self, record: int, ended: tuple[Any, ...]) -> tuple[int, str]:
        found = self._endings.get((record, ended))
        if found is None:
            after, wrong = self.records.all[record].after_endings(ended)
            found = self._endings[record, ended] = (self.records.number(after), wrong)
        return found

    def _hand(self, state: State, node: str) -> str:
        """No machine starts where a supervisor has sent a person, unless another has claimed the node since."""
        for steps, number in zip(self.supervisors, state.supervisors, strict=True):
            if number == ABSENT:
                continue
            known = steps.states[number]
            for asked in known.asked:
                if node in asked.bars and self._rules_over(state, known.claims, (node,)):
                    return f"{node} moves while a person looks for {asked.about} of {asked.place or asked.node}"
        return ""

    def _sent_into_motion(self, before: State, after: State, number: int) -> str:
        """Nobody is sent to where a machine moves."""
        steps = self.supervisors[number]
        asked_before = set(steps.states[before.supervisors[number]].asked)
        known = steps.states[after.supervisors[number]]
        for asked in known.asked:
            if asked in asked_before:
                continue
            for place, node in enumerate(self.node_names):
                moving = self.nodes[place].states[after.nodes[place]].moving
                if moving and node in asked.bars and self._rules_over(after, known.claims, (node,)):
                    return f"a person is sent for {asked.about} of {asked.place or asked.node} while {node} moves"
        return ""

    def _rules_over(self, state: State, claims: Iterable[tuple[str, int | None, int]], nodes: Iterable[str]) -> bool:
        record: Record = self.records.all[state.record]
        mine = {name: claim for name, _, claim in claims}
        return all(mine[node] >= record.claim_of(node) for node in nodes)

    def _false_belief(self, state: State) -> str:
        for steps, number in zip(self.supervisors, state.supervisors, strict=True):
            if number != ABSENT:
                key = (steps.name, number, state.world, self.records.all[state.record].claims)
                found = self._beliefs.get(key)
                if found is None:
                    found = self._beliefs[key] = self._judged(state, steps.states[number].believes)
                if found:
                    return f"{steps.name} {found}"
        return ""

    def _judged(self, state: State, believes: tuple[Belief, ...]) -> str:
        world: World = self.worlds.all[state.world]
        for belief in believes:
            if not self._rules_over(state, belief.rests_on, [name for name, _, _ in belief.rests_on]):
                continue
            for slot, held in enumerate(belief.slots):
                if held == "?":
                    continue
                so = world.box_at((belief.place, slot)) if belief.place else world.box_held(belief.crane)
                if so != held:
                    where = f"slot {slot} of {belief.place}" if belief.place else f"the spreader of {belief.crane}"
                    return f"holds {where} to be {held or 'empty'}, and it is {so or 'empty'}"
        return ""

    # ------------------------------------------------------------ people
    def _answer(self, state: State, asked: Asked) -> tuple[str, ...]:
        """What a person finds."""
        world: World = self.worlds.all[state.world]
        match asked.about:
            case "slots":
                slots = self.site.places[asked.place].slots
                return tuple(world.box_at((asked.place, slot)) for slot in range(slots))
            case "spreader":
                return (world.box_held(asked.node),)
            case "shuttle":
                shuttle = self.site.nodes[asked.node].shuttle
                assert shuttle is not None
                return (world.stand_of(asked.node) or shuttle.stops[0],)
        return ()

    def _after_looking(self, state: State, asked: Asked) -> State:
        """A person mends what is jammed, pushes a shuttle to a stop."""
        world: World = self.worlds.all[state.world]
        if asked.about == "shuttle":
            state = state._replace(world=self.worlds.number(world.with_stand(asked.node, self._answer(state, asked)[0])))
        if asked.node in self.node_names and asked.about not in ("held", "gap"):
            number = self.node_names.index(asked.node)
            if self.nodes[number].states[state.nodes[number]].jammed:
                state, _ = self._node(state, number, ("mend",))
        return state

    # ------------------------------------------------------------ small things
    def _working(self, state: State) -> list[int]:
        return [
            number
            for number, known in enumerate(state.supervisors)
            if known != ABSENT and self.supervisors[number].states[known].linked
        ]

    def _spent(self, state: State, kind: str) -> State:
        place = self._kinds.index(kind)
        left = state.left
        return state._replace(left=(*left[:place], left[place] - 1, *left[place + 1 :]))


class Label:
    """An edge that delivers a message; put into words only where somebody reads it."""

    __slots__ = ("_how", "_message", "_yard")

    def __init__(self, how: str, yard: Yard, message: int) -> None:
        self._how, self._yard, self._message = how, yard, message

    def __str__(self) -> str:
        return f"{self._how} {self._yard.messages[self._message]}"
