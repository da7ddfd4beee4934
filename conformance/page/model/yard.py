"""The page's whole knowledge of one bus, and the model that a browser is sent: pure, with times passed in.

The model is one flat map from keys such as `crane/north` or `line/17` to small maps of plain values. What
changed between two models is all that has to travel.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from conformance.oracle.bus_judge import BusJudge
from conformance.page.model.advice import link_in_words
from conformance.page.model.health import Health, HealthRegister
from conformance.page.model.jobs import Jobs
from conformance.page.model.latest import LatestMessage, LatestMessages
from conformance.page.model.line import line_entry
from conformance.page.model.log import Chosen, Log, LogLine
from conformance.page.model.plan_geometry import PlanGeometry
from conformance.page.model.plan_objects import PlanObjects
from conformance.page.model.sensors import lamps
from conformance.page.model.troubles import drifts, troubles
from conformance.recordings.changes import Changes
from conformance.recordings.trend.live import LiveTrend
from conformance.recordings.wording import in_words, short_id
from protocol.boots import Boots
from protocol.bulk_reading import BulkReader
from protocol.foreign_text import one_line
from protocol.recording import EventKind, RecordedEvent, RecordedMessage
from protocol.rules.received import Breach
from protocol.site import Site
from protocol.topics import Topic
from protocol.validation import Reading, is_newer, of_newer_minor

Model = dict[str, dict[str, Any]]

WORDS_MOST = 160
"""Characters of a text that others chose."""


class Yard:
    """Takes what is heard on the bus, message by message, and tells the model at any time."""

    def __init__(self, site: Site, trend: LiveTrend | None = None) -> None:
        """`trend`: charts of earlier runs that are gone on with."""
        self.site = site
        self._trend = trend
        self.ground = PlanGeometry(site)
        self.messages = 0
        self._up = False
        self._why = "not connected yet"
        self._reader = BulkReader()
        self._watch = BusJudge(site, self._reader)
        self._words = LatestMessages(frozenset(site.nodes), frozenset(site.places))
        self._health_register = HealthRegister(site)
        self._boots = Boots()
        self._jobs = Jobs()
        self._log = Log()
        self._changes = Changes()
        self._now_us = 0
        self._plan_objects = PlanObjects(self.ground, self._words, self._fresh, self._jobs.box_of)

    # ------------------------------------------------------------ what comes in
    def take(self, item: RecordedMessage | RecordedEvent) -> None:
        """Take a message, or the news that the bus is heard or not heard any more."""
        if isinstance(item, RecordedEvent):
            self._link(item)
        else:
            self._message(item)

    def look(self, at_us: int) -> None:
        """Note what has become overdue by now; cheap to call often."""
        if self._up:
            for breach in self._watch.look(at_us):
                self._breach(breach, "")
        if self._trend is not None:
            for _ in self._trend.judge():
                pass  # What stands is in the model.

    def _link(self, event: RecordedEvent) -> None:
        self._watch.take(event)
        if self._trend is not None:
            self._trend.event(event)
        if event.kind == EventKind.CONNECTED:
            self._up, self._why = True, ""
        elif event.kind == EventKind.DISCONNECTED:
            self._up, self._why = False, link_in_words(event.text)[:WORDS_MOST]
            self._words.grow_old()
            self._health_register.gap()

    def _message(self, item: RecordedMessage) -> None:
        self.messages += 1
        topic = self._reader.topic(item.topic)
        reading = self._reader.read(item.topic, item.payload)
        if topic is not None and topic.site == self.site.name:
            self._hear(topic, reading, item)
            if self._trend is not None:
                self._trend.take(item, topic, reading)
        breaches = self._watch.take(item, reading)
        if reading.findings and topic is not None and is_newer(self._watch.minors.get(topic.node)):
            known = of_newer_minor(topic.message, (reading.body or {}).get("act"), reading.findings)
            reading = reading._replace(findings=known)
        node, message = (topic.node, topic.message) if topic is not None else ("", "?")
        here = tuple(one.requirement for one in breaches if not one.note and one.number == self.messages)
        broken = tuple(dict.fromkeys([*(found.requirement for found in reading.findings), *here]))
        line = LogLine(
            self.messages, item.at_us, node, message, _words(item, message, reading), item.retain, broken,
            self._changes.words(item.topic, message, reading.body or {}, "")[:WORDS_MOST], item.payload, reading.body,
        )  # fmt: skip
        self._log.message(line, reading.findings)
        for breach in breaches:
            self._breach(breach, message)

    def _breach(self, breach: Breach, message: str) -> None:
        if breach.note:
            return
        self._log.breach(breach, message)
        health = self._health_register.of(breach.node) if breach.node else None
        if health is not None:
            health.breaches += 1

    def _hear(self, topic: Topic, reading: Reading, item: RecordedMessage) -> None:
        """What a message means for the one who sent it; an order's sender is not known."""
        body, message = reading.body, topic.message
        if message == "job-order":
            if body is not None and not item.retain:
                self._jobs.hear(topic.node, message, body, item.at_us)
            return
        health = self._health_register.of(topic.node)
        if health is None:
            return
        if not item.retain:
            health.count(item.at_us, valid=reading.valid)
        if body is not None and not self._late(health, topic, body, item):
            self._words.hear(topic.node, message, topic.place, LatestMessage(body, item.at_us, item.retain))
            if message == "node-status" and not (item.retain and health.status):
                health.status, health.kept = body, item.retain
            if not item.retain:
                self._follow(health, topic, reading, item.at_us)

    def _late(self, health: Health, topic: Topic, body: Mapping[str, Any], item: RecordedMessage) -> bool:
        """Whether it is of an old boot, or the will of an old connection: it must not undo what was said since."""
        if item.retain:
            return False
        boot = body.get("boot")
        if boot is not None and self._boots.is_late(topic.node, boot, item.at_us):
            return True
        same = boot == health.status.get("boot") and not health.kept
        old = body.get("state") == "off" and body.get("link") != health.status.get("link")
        return topic.message == "node-status" and same and old

    def _follow(self, health: Health, topic: Topic, reading: Reading, at_us: int) -> None:
        assert reading.body is not None
        boots = health.boots
        health.follow(topic.message, topic.place, reading.body)
        if boots and health.boots != boots:
            self._jobs.new_boot(topic.node, at_us)
        self._jobs.hear(topic.node, topic.message, reading.body, at_us)

    # ------------------------------------------------------------ what goes out
    def model(self, now_us: int, *, with_lines: bool = True) -> Model:
        """All that a page shows, as plain values. Times are ms of the clock of all calls."""
        self._now_us = now_us
        found = dict(self._entries(now_us))
        return found | self.lines() if with_lines else found

    def lines(self, chosen: Chosen = ("", "")) -> Model:
        """The last messages, or those of a node or message."""
        return {f"line/{line.number}": line_entry(line) for line in self._log.chosen(chosen)}

    def _fresh(self, node: str) -> bool:
        health = self._health_register.nodes.get(node)
        return health is not None and health.state(self._now_us) in ("on", "bench")

    def _entries(self, now_us: int) -> Iterator[tuple[str, dict[str, Any]]]:
        yield "bus", {"up": self._up, "why": self._why, "messages": self.messages}
        yield from self._plan_objects.entries()
        yield from self._job_entries()
        yield from troubles(self.site, self._words, self._health_register, now_us)
        if self._trend is not None:
            yield from drifts(self._trend.standing)
        for name, health in self._health_register.nodes.items():
            yield f"node/{name}", _health_entry(self.site, name, health, now_us)
            yield from lamps(self.site, self._words, name)
        for wrong in self._log.wrong:
            yield f"wrong/{wrong.number}", {
                "line": wrong.line, "at": wrong.at_us // 1000, "node": wrong.node, "message": wrong.message,
                "requirement": wrong.requirement, "what": wrong.what[:WORDS_MOST], "where": wrong.where,
                "fix": wrong.fix[:WORDS_MOST],
            }  # fmt: skip

    def _job_entries(self) -> Iterator[tuple[str, dict[str, Any]]]:
        for job in self._jobs:
            yield f"job/{job.number}", {
                "node": job.node, "words": job.words, "id": short_id(job.id), "state": job.state,
                "step": job.step, "reason": job.reason, "open": job.is_open,
                "places": list(job.places), "began": job.began_us // 1000,
                "ended": None if job.ended_us is None else job.ended_us // 1000,
            }  # fmt: skip


def _words(item: RecordedMessage, message: str, reading: Reading) -> str:
    if message == "?":
        text = item.topic
    elif reading.body is None:
        text = "nothing" if not item.payload else "cannot be read"
    else:
        text = in_words(message, reading.body)
    return one_line(text)[:WORDS_MOST]


def _health_entry(site: Site, name: str, health: Health, now_us: int) -> dict[str, Any]:
    status = health.status
    roles = site.nodes[name].roles if name in site.nodes else status.get("roles", ())
    return {
        "state": health.state(now_us), "roles": " and ".join(roles), "listed": health.listed,
        "heard": None if health.heard_us is None else health.heard_us // 1000,
        "boot": health.boot, "boots": health.boots, "reset": status.get("reset", ""),
        "firmware": status.get("firmware", ""), "lost": health.lost, "messages": health.messages,
        "invalid": health.invalid, "broken": health.breaches,
    }  # fmt: skip
