"""A supervisor that plans nothing: it claims every node, and orders what a person at the crane says."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from protocol.participant import Delivery, Publication
from protocol.specification import specification
from protocol.topics import NotATopic, Topic, parse_topic
from protocol.validation import read_message
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.questions.answers import Answers
from reference_node.supervisor.questions.open_questions import OpenQuestions
from reference_node.supervisor.questions.question import Ask, Question, QuestionKey
from reference_node.supervisor.supervisor import Supervisor

ASKED = (Ask.GAP, Ask.TRACK, Ask.FAULT, Ask.HELD)
"""What has to be settled before a crane is jogged. Where boxes are does not matter."""


class MachineQuestions(OpenQuestions):
    """Questions about some nodes alone, and none about boxes."""

    nodes: Sequence[str] = ()

    def _wanted(self, state: YardState) -> Iterator[QuestionKey]:
        for key in super()._wanted(state):
            if key.about is Ask.GAP or (key.about in ASKED and key.node in self.nodes):
                yield key


class MeasuringSupervisor(Supervisor):
    """It homes nothing by itself, asks about no box, tells no map, and hears the whole site: whoever else orders.

    `stranger` says, in words, who else was heard to order or to supervise; '' for nobody.
    """

    def __init__(self, *arguments: Any, nodes: Sequence[str], **keywords: Any) -> None:
        """`nodes` are those about which a person is asked: the crane and the berth. The rest is as for a supervisor."""
        self._asked_about = tuple(nodes)
        super().__init__(*arguments, **keywords)
        self.stranger = ""
        self.connected_ms: int | None = None
        """Since when it has its name on the broker; None while it has not."""
        self._said: set[tuple[str, bytes]] = set()

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Everything of the site: orders of others too."""
        return ((f"{specification().root}/{self.site.name}/#", 1),)

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """The broker lets one client have this name: whoever had it has been thrown off, and would come again."""
        self.connected_ms = now_ms
        return super().connected(now_ms)

    def disconnected(self, now_ms: int) -> None:
        """Another client may have taken the name."""
        self.connected_ms = None
        super().disconnected(now_ms)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Take what nodes say, and note what somebody else says to them or in a supervisor's place."""
        try:
            topic = parse_topic(delivery.topic)
        except NotATopic:
            return []
        if topic.site != self.site.name:
            return []
        if topic.message == "job-order":
            self._hear_order(topic, delivery)
            return []
        node = self.site.nodes.get(topic.node)
        if node is None or node.is_supervisor:
            self._hear_supervisor(topic, delivery)
            return []
        return super().receive(delivery, now_ms)

    def _hear_order(self, topic: Topic, delivery: Delivery) -> None:
        if (delivery.topic, bytes(delivery.payload)) not in self._said:
            self.stranger = self.stranger or f"somebody else has sent an order to {topic.node}"

    def _hear_supervisor(self, topic: Topic, delivery: Delivery) -> None:
        """A retained word is of before, and was looked at before this supervisor came; a live one is somebody's."""
        if delivery.retain or not delivery.payload:
            return
        body = read_message(topic.message, delivery.payload, closed=False).body
        own = topic.node == self.name and body is not None and body.get("boot") == self.boot
        left = body is not None and body.get("state") == "off"
        if not own and not left:
            self.stranger = self.stranger or f"{topic.node} is live: another supervisor, or nobody knows what"

    def new_questions(
        self, answers: Answers, on_question: Callable[[Question], None] | None
    ) -> OpenQuestions:
        """What keeps the crane or the berth from working."""
        made = MachineQuestions(self.look, self.new_rules, self.holds, answers, on_question, self.note)
        made.nodes = self._asked_about
        return made

    # ------------------------------------------------------------ what it does not do
    def _work(self, now_ms: int) -> list[Publication]:
        out = super()._work(now_ms)
        self._said |= {(one.topic, bytes(one.payload)) for one in out if one.topic.endswith("/job-order")}
        return out

    def _home(self) -> None:
        """A crane homes on a person's word alone."""

    def _see_what_is_so(self, state: YardState) -> None:
        """It moves no box, so it need not know where any is."""
        self.outage.withdraw_unanswered(self.now_ms)
        if not self.winding_up:
            self.open_questions.refresh()

    def _maps_due(self) -> list[Publication]:
        """It knows of no box. The maps of before hold no longer, for its claims have moved the marks [SUP-11]."""
        return []
