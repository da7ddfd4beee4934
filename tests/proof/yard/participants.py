"""The participants of a yard and the net between them: what becomes of a step of one of them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from protocol.topics import Topic
from reference_node.controller.controller import Controller
from reference_node.snapshot.catalogue import CATALOGUE
from reference_node.supervisor.send.messages import SUBSCRIBED
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.yard.budget import DISTURBANCES, Budget
from tests.proof.yard.chance import CHANCE_PLANS, ModelController
from tests.proof.yard.machines import MACHINE_PLANS
from tests.proof.yard.messages import Messages
from tests.proof.yard.node_steps import NodeSteps
from tests.proof.yard.properties import Properties
from tests.proof.yard.sites import CHIEF, DEPUTY
from tests.proof.yard.state import ABSENT, PLACES, Numbered, Queue, State
from tests.proof.yard.supervisor_steps import SupervisorSteps
from tests.proof.yard.world import World

CATALOGUE_OF_ALL = CATALOGUE.with_plans({**MACHINE_PLANS, **CHANCE_PLANS})


class Steps:
    """Every step that the participants of a site have done. Budgets that share it do none of them again."""

    def __init__(
        self,
        site: str,
        supervisor: type[Supervisor] = Supervisor,
        controller: type[Controller] = ModelController,
    ) -> None:
        """`supervisor` and `controller` may be variants with a rule taken away."""
        self.place = PLACES[site]
        self.messages = Messages()
        self._supervisor = supervisor
        self._of_supervisors: dict[tuple[str, int], SupervisorSteps] = {}
        self.nodes = [
            NodeSteps(self.place.site, name, CATALOGUE_OF_ALL, self.messages, controller)
            for name, node in self.place.site.nodes.items()
            if not node.is_supervisor
        ]

    @property
    def done(self) -> int:
        """How many steps of a participant have been done."""
        of_supervisors = sum(one.stepped for one in self._of_supervisors.values())
        return of_supervisors + sum(one.stepped for one in self.nodes)

    def of_supervisor(self, name: str, part: int) -> SupervisorSteps:
        """Those of the supervisor `name` whose claims have the random part `part`."""
        found = self._of_supervisors.get((name, part))
        if found is None:
            found = self._of_supervisors[name, part] = SupervisorSteps(
                self.place.site,
                name,
                CATALOGUE_OF_ALL,
                self.messages,
                self.place.goals,
                part,
                self._supervisor,
            )
        return found


class Participants:
    """Supervisors and nodes, and the queues between them. Each step gives the state after it and what it breaks."""

    def __init__(self, budget: Budget, steps: Steps | None = None) -> None:
        """`steps`: those already done on the budget's site."""
        steps = steps or Steps(budget.site)
        self.budget, self.site, self._place = budget, steps.place.site, steps.place
        self.messages, self.nodes = steps.messages, steps.nodes
        self.node_names = tuple(node.name for node in self.nodes)
        self.supervisor_names = (CHIEF, DEPUTY) if budget.may.get("second") else (CHIEF,)
        self.supervisors = [
            steps.of_supervisor(name, 0 if budget.same_part else part)
            for part, name in enumerate(self.supervisor_names, start=1)
        ]
        self.worlds = Numbered()
        self.judge = Properties(self.nodes, self.supervisors, self.worlds, self._place.world.labels)
        self._kinds = [name for name in DISTURBANCES if budget.may.get(name)]
        self._keeps_retained = any(
            budget.may.get(one) for one in ("outage", "restart", "second", "told", "old map")
        )

    def _node(self, state: State, number: int, what: tuple[Any, ...]) -> tuple[State, str]:
        steps = self.nodes[number]
        before: World = self.worlds.all[state.world]
        step = steps.step(state.nodes[number], before, what)
        if step.wrong:
            return state, step.wrong
        supervisors, nodes, queues, retained, late, world, record, seen, left = state
        wrong, touched = "", step.world != before
        if step.deeds:
            record, wrong = self.judge.recorded(record, number, step)
        if touched:
            wrong = wrong or self.judge.boxes(step.world)
            world = self.worlds.number(step.world)
        nodes = (*nodes[:number], step.after, *nodes[number + 1 :])
        if step.said:
            queues = self._said_by_node(state, number, step.said)
            retained = self._retain(retained, step.said)
        after = State(supervisors, nodes, queues, retained, late, world, record, seen, left)
        if step.moved:
            wrong = wrong or self.judge.hand(after, steps.name)
        if touched:
            wrong = wrong or self.judge.false_belief(after)
        return after, wrong

    def _said_by_node(self, state: State, number: int, said: tuple[int, ...]) -> tuple[Queue, ...]:
        queues = list(state.queues)
        fresh = tuple((one, False) for one in said if self.messages[one].name in SUBSCRIBED)
        for supervisor, known in enumerate(state.supervisors):
            if known != ABSENT and self.supervisors[supervisor].states[known].linked:
                queues[self._channel(supervisor, number, to_node=False)] += fresh
        return tuple(queues)

    def _supervisor(self, state: State, number: int, what: tuple[Any, ...]) -> tuple[State, str]:
        steps = self.supervisors[number]
        step = steps.step(state.supervisors[number], what, lambda: self._tokens_about(state))
        if step.wrong:
            return state, step.wrong
        supervisors, nodes, queues, retained, late, world, record, seen, left = state
        wrong = ""
        if step.ended:
            record, wrong = self.judge.ended(record, step.ended)
        supervisors = (*supervisors[:number], step.after, *supervisors[number + 1 :])
        if step.said:
            queues = self._said_by_supervisor(state, number, step.said)
            retained = self._retain(retained, step.said)
        after = State(supervisors, nodes, queues, retained, late, world, record, seen, left)
        if step.after != state.supervisors[number]:
            wrong = (
                wrong or self.judge.false_belief(after) or self.judge.sent_into_motion(state, after, number)
            )
        return after, wrong

    def _tokens_about(self, state: State) -> frozenset[int]:
        """Tokens that may still come to the supervisors: on their way, late, or kept by a node."""
        on_way = [one for queue in state.queues for one, _ in queue]
        if state.late is not None:
            on_way.append(state.late[1])
        nodes = (steps.states[number] for steps, number in zip(self.nodes, state.nodes, strict=True))
        kept = [token for node in nodes for token in node.tokens]
        return frozenset((*kept, *(token for one in on_way for token in self.messages[one].tokens)))

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
                channel = self._channel(
                    number, self.node_names.index(self.messages[message].node), to_node=False
                )
                state = self._with_queue(state, channel, ((message, True), *state.queues[channel]))
        return state, wrong

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

    def _channel(self, supervisor: int, node: int, *, to_node: bool) -> int:
        return (supervisor * len(self.nodes) + node) * 2 + to_node

    def _is_to_node(self, channel: int) -> bool:
        return bool(channel % 2)

    def _with_queue(self, state: State, channel: int, queue: Queue) -> State:
        supervisors, nodes, queues, retained, late, world, record, seen, left = state
        queues = (*queues[:channel], queue, *queues[channel + 1 :])
        return State(supervisors, nodes, queues, retained, late, world, record, seen, left)

    def _under_way_from(self, state: State, node: int) -> int:
        step = 2 * len(self.nodes)
        return max(map(len, state.queues[2 * node :: step]))

    def _nothing_to(self, state: State, node: int) -> State:
        for number in range(len(self.supervisors)):
            state = self._with_queue(state, self._channel(number, node, to_node=True), ())
        return state

    def _nothing_to_supervisor(self, state: State, number: int) -> State:
        for node in range(len(self.nodes)):
            state = self._with_queue(state, self._channel(number, node, to_node=False), ())
        return state

    def _retain(
        self, retained: tuple[tuple[str, int], ...], said: Iterable[int]
    ) -> tuple[tuple[str, int], ...]:
        if not self._keeps_retained:
            return retained
        kept = dict(retained)
        for number in said:
            message = self.messages[number]
            if message.publication.retain and message.name != "node-status":
                is_own = message.node in self.supervisor_names
                writes = self.site.nodes[message.node].writes
                kept[message.topic] = number if is_own else self.messages.timeless(number, writes)
        return tuple(sorted(kept.items()))

    def rebased(self, state: State) -> State:
        """The same state, with uptimes counted again for every node that has nothing under way."""
        if not self.budget.calm or state.late is not None or self.budget.uptime or self.budget.as_it_is:
            return state
        nodes, supervisors = list(state.nodes), list(state.supervisors)
        to_all = range(0, len(state.queues), 2 * len(nodes))
        for number, steps in enumerate(self.nodes):
            if any(state.queues[first + 2 * number + way] for first in to_all for way in (0, 1)):
                continue
            known = steps.states[nodes[number]]
            for place, one in enumerate(supervisors):
                if one != ABSENT:
                    supervisors[place] = self.supervisors[place].rebased(
                        one, steps.name, known.boot, known.count
                    )
            nodes[number] = steps.rebased(nodes[number], self.worlds.all[state.world])
        return state._replace(nodes=tuple(nodes), supervisors=tuple(supervisors))

    def _working(self, state: State) -> list[int]:
        return [
            number
            for number, known in enumerate(state.supervisors)
            if known != ABSENT and self.supervisors[number].states[known].linked
        ]
