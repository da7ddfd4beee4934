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


class Participants:
    """Supervisors and nodes, and the queues between them. Each step gives the state after it and what it breaks."""

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
            NodeSteps(self.site, name, CATALOGUE_OF_ALL, self.messages, controller)
            for name in self.node_names
        ]
        self.supervisors = [
            SupervisorSteps(
                self.site,
                name,
                CATALOGUE_OF_ALL,
                self.messages,
                place.goals,
                0 if budget.same_part else part,
                supervisor,
            )
            for part, name in enumerate(self.supervisor_names, start=1)
        ]
        self.worlds = Numbered()
        self.judge = Properties(self.nodes, self.supervisors, self.worlds, place.world.labels)
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
        record, wrong = self.judge.recorded(state.record, number, step)
        wrong = wrong or self.judge.boxes(step.world)
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
            wrong = wrong or self.judge.hand(after, steps.name)
        if step.world != before:
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
        avoid = 0
        if state.late is not None:
            avoid = int(self.messages[state.late[1]].body.get("token", 0))
        steps = self.supervisors[number]
        step = steps.step(state.supervisors[number], what, avoid)
        if step.wrong:
            return state, step.wrong
        record, wrong = state.record, ""
        if step.ended:
            record, wrong = self.judge.ended(state.record, step.ended)
        supervisors = (*state.supervisors[:number], step.after, *state.supervisors[number + 1 :])
        queues = state.queues
        if step.said:
            queues = self._said_by_supervisor(state, number, step.said)
        after = state._replace(
            supervisors=supervisors,
            queues=queues,
            retained=self._retain(state.retained, step.said),
            record=record,
        )
        if step.after != state.supervisors[number]:
            wrong = (
                wrong or self.judge.false_belief(after) or self.judge.sent_into_motion(state, after, number)
            )
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
        queues = state.queues
        return state._replace(queues=(*queues[:channel], queue, *queues[channel + 1 :]))

    def _under_way_from(self, state: State, node: int) -> int:
        return max(
            len(state.queues[self._channel(number, node, to_node=False)])
            for number in range(len(self.supervisors))
        )

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
                kept[message.topic] = number
        return tuple(sorted(kept.items()))

    def _working(self, state: State) -> list[int]:
        return [
            number
            for number, known in enumerate(state.supervisors)
            if known != ABSENT and self.supervisors[number].states[known].linked
        ]
