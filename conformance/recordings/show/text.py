"""A recording for the terminal: one line a message, the figures. 80 columns."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from conformance.recordings.message_summary import MessageSummary
from conformance.recordings.show.statistics import Statistics, gap_limit_ms, limit_of
from protocol.foreign_text import one_line
from protocol.recording import EventKind, RecordedEvent

WIDTH = 80
HEADING = f"{'no.':>6} {'s':>9}   {'node':<8} {'message':<14} what"


def row(line: MessageSummary) -> str:
    """A line of the table: r is retained, ! is not valid."""
    mark = ("r" if line.retained else " ") + ("!" if line.findings else " ")
    text = f"{line.number:>6} {line.at_ms / 1000:9.3f} {mark} {line.node:<8} {line.message:<14} "
    return text + _shortened(line.words, WIDTH - len(text))


def event(item: RecordedEvent, started: str) -> str:
    """What befell the recorder, as a line of the table, with the time of day in UTC."""
    at = f"{clock(started, item.at_us):%H:%M:%S}"
    said = _BEFALLS.get(item.kind) or one_line(item.text)
    return f"{'':>6} {item.at_us / 1e6:9.3f}    at {at} UTC the recorder {said}"[:WIDTH]


_BEFALLS = {
    str(EventKind.CONNECTED): "connected",
    str(EventKind.DISCONNECTED): "lost its connection; until it has one, all is missing",
}


def clock(started: str, at_us: int) -> datetime:
    """The wall clock `at_us` after the beginning."""
    return datetime.fromisoformat(started) + timedelta(microseconds=at_us)


def _shortened(words: str, most: int) -> str:
    """Words that fit; an order id at their end is kept, for one looks for it."""
    if len(words) <= most:
        return words
    _, space, last = words.rpartition(" ")
    tail = space + last if last.startswith("#") else ""
    return words[: most - 1 - len(tail)] + "…" + tail


def faults(line: MessageSummary) -> Iterator[str]:
    """What is wrong with a message, below its line."""
    for finding in line.findings:
        text = f"{'':>17} {finding}"
        yield text if len(text) <= WIDTH else text[: WIDTH - 1] + "…"


def figures(found: Statistics) -> Iterator[str]:
    """The statistics."""
    seconds = max(found.end_ms / 1000, 0.001)
    yield (
        f"{found.messages:,} messages in {seconds:,.1f} s ({found.messages / seconds:,.1f}/s), "
        f"{found.retained:,} retained, {found.invalid:,} not valid"
    )
    if found.broken:
        yield f"broken by single messages: {', '.join(f'{id_} {count}x' for id_, count in found.broken.items())}"
    if found.losses_of_connection:
        times = "once" if found.losses_of_connection == 1 else f"{found.losses_of_connection} times"
        yield f"the recorder lost its connection {times}"
    yield ""
    yield f"{'node':<9}{'topic':<17}{'messages':>9}{'lost':>6}{'longest gap':>15}{'largest':>13}"
    for name, node in sorted(found.nodes.items()):
        for topic, one in sorted(node.topics.items()):
            gap = _of(one.longest_gap_ms, gap_limit_ms(topic), " ms") if one.longest_gap_ms else ""
            size = _of(one.largest, limit_of(topic, one.encoding), "")
            yield f"{name:<9}{topic:<17}{one.messages:>9,}{one.lost or '':>6}{gap:>15}{size:>13}"
        if len(node.boots) > 1 or node.wraps:
            causes = ", ".join(f"{cause} {count}x" for cause, count in sorted(node.resets.items()))
            resets = f" (resets: {causes})" if causes else ""
            yield f"{name:<9}{len(node.boots)} boots{resets}, uptime wrapped {node.wraps} times"
    if found.latencies:
        yield ""
        yield f"{'order to first report, ms':<27}{'orders':>8}{'median':>8}{'95 %':>8}{'longest':>9}"
        for (node_name, act), latency in sorted(found.latencies.items()):
            parts = f"{latency.part(0.5):>8}{latency.part(0.95):>8}{latency.part(1.0):>9}"
            yield f"{node_name:<9}{act:<18}{latency.number:>8,}{parts}"


def _of(value: int, most: int | None, unit: str) -> str:
    return f"{value}{unit}" if most is None else f"{value} of {most}{unit}"
