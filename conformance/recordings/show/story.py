"""What a recording tells: lines in order, state bars of every node, jobs, the yard before and after."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from conformance.recordings.message_summary import MessageSummary, Summarizer
from conformance.recordings.wording import short_id
from protocol.recording import Header, Item, RecordedEvent, RecordedMessage
from protocol.specification import OPEN, specification
from protocol.topics import Topic

__all__ = ["Bar", "JobSpan", "MessageSummary", "Story", "tell"]

STATE_FIELD = {"crane-status": "mode", "train-arrival": "state", "shuttle-status": "state"}
"""The field that says what a machine does, by the message that carries it."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A node was in one state for a while."""

    start_ms: int
    end_ms: int
    state: str
    held: bool


@dataclass(slots=True)
class JobSpan:
    """One job-order and what became of it; times in ms of the recording, None where it was not seen."""

    node: str
    boot: int
    id: int
    words: str
    ordered_ms: int
    sent: int = 1
    """How often the order was sent."""
    accepted_ms: int | None = None
    ended_ms: int | None = None
    state: str = "open"
    reason: str = ""

    @property
    def label(self) -> str:
        """The id in short."""
        return short_id(self.id)


@dataclass(slots=True)
class Story:
    """A recording, told. Made by `tell`."""

    header: Header
    lines: list[MessageSummary] = field(default_factory=list)
    events: list[RecordedEvent] = field(default_factory=list)
    bars: dict[str, list[Bar]] = field(default_factory=dict)
    jobs: list[JobSpan] = field(default_factory=list)
    first_map: dict[str, tuple[str, ...]] = field(default_factory=dict)
    last_map: dict[str, tuple[str, ...]] = field(default_factory=dict)
    trains: list[MessageSummary] = field(default_factory=list)
    """The first word of every arrival at rest."""
    end_ms: int = 0

    @property
    def nodes(self) -> list[str]:
        """Every node that spoke, the supervisors first."""
        speakers = sorted({line.speaker for line in self.lines if line.speaker})
        supervisors = {line.node for line in self.lines if line.message == "yard-map"}
        return sorted(speakers, key=lambda name: (name not in supervisors, name))

    @property
    def gone(self) -> list[str]:
        """Boxes that stood in some place at first and stand in none at the end."""
        first, last = (
            {box for slots in maps.values() for box in slots} for maps in (self.first_map, self.last_map)
        )
        return sorted(first - last - {"", "?"})

    @property
    def exchange(self) -> list[MessageSummary]:
        """Orders and reports, retained ones left out."""
        return [
            line for line in self.lines if line.message in ("job-order", "job-report") and not line.retained
        ]

    @property
    def invalid(self) -> list[MessageSummary]:
        """Messages that break a requirement by themselves."""
        return [line for line in self.lines if line.findings]


def tell(header: Header, items: Iterable[Item]) -> Story:
    """Read the items of a recording into a story."""
    story = Story(header)
    teller = _StoryBuilder(story)
    for item in items:
        if isinstance(item, RecordedMessage):
            teller.hear(item)
        elif isinstance(item, RecordedEvent):
            story.events.append(item)
        story.end_ms = max(story.end_ms, item.at_us // 1000)
    teller.finish()
    return story


class _StoryBuilder:
    """Builds a story message by message."""

    def __init__(self, story: Story) -> None:
        self._story = story
        self._summarizer = Summarizer()
        self._open: dict[str, Bar] = {}
        self._jobs: dict[tuple[str, int, int], JobSpan] = {}

    def hear(self, item: RecordedMessage) -> None:
        line = self._summarizer.summary(item)
        self._story.lines.append(line)
        topic = self._summarizer.reader.topic(item.topic)
        if topic is not None and line.body and not item.retain:
            self._follow(topic, line)

    def finish(self) -> None:
        for node, bar in self._open.items():
            self._close(node, bar, self._story.end_ms)

    def _follow(self, topic: Topic, line: MessageSummary) -> None:
        if line.message in STATE_FIELD:
            self._state(topic.node, line)
        if line.message == "train-arrival" and line.body["state"] == "at-rest":
            self._train(line)
        elif line.message == "job-order" and line.body["act"] in specification().jobs:
            self._order(topic.node, line)
        elif line.message == "job-report":
            self._report(topic.node, line)
        elif line.message == "yard-map":
            slots = tuple(line.body["slots"])
            first = self._story.first_map
            if "?" in first.get(topic.place, ("?",)):  # What was unsure at first is what it turned out to be.
                first[topic.place] = slots
            self._story.last_map[topic.place] = slots

    def _state(self, node: str, line: MessageSummary) -> None:
        state, held = str(line.body[STATE_FIELD[line.message]]), bool(line.body["held"])
        before = self._open.get(node)
        if before is not None and (before.state, before.held) == (state, held):
            return
        if before is not None:
            self._close(node, before, line.at_ms)
        self._open[node] = Bar(line.at_ms, line.at_ms, state, held)

    def _close(self, node: str, bar: Bar, at_ms: int) -> None:
        self._story.bars.setdefault(node, []).append(Bar(bar.start_ms, at_ms, bar.state, bar.held))

    def _train(self, line: MessageSummary) -> None:
        named = [(other.node, other.body["boot"], other.body["arrival"]) for other in self._story.trains]
        if (line.node, line.body["boot"], line.body["arrival"]) not in named:
            self._story.trains.append(line)

    def _order(self, node: str, line: MessageSummary) -> None:
        key = (node, line.body["boot"], line.body["id"])
        if key in self._jobs:
            self._jobs[key].sent += 1
            return
        words = line.words.rpartition(" ")[0]
        job = self._jobs[key] = JobSpan(node, line.body["boot"], line.body["id"], words, line.at_ms)
        self._story.jobs.append(job)

    def _report(self, node: str, line: MessageSummary) -> None:
        job = self._jobs.get((node, line.body.get("order_boot", -1), line.body.get("id", -1)))
        if job is None or job.ended_ms is not None:
            return
        job.state = str(line.body["state"])
        job.reason = str(line.body.get("reason", ""))
        if job.accepted_ms is None and job.state in OPEN:
            job.accepted_ms = line.at_ms
        if job.state in ("done", "failed", "cancelled", "refused"):
            job.ended_ms = line.at_ms
