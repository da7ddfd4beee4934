"""Bugs of firmware's usual kind in MicroPython, each a few words changed in a copy of the node, and what shows it.

They are no part of the node: a board that takes it has none of these behind a switch.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.firmware.planted import PlantedBug
from tests.micropython.interpreter import FIRMWARE


@dataclass(frozen=True, slots=True)
class Bug(PlantedBug):
    """One of the node in MicroPython, shown by `node`."""

    node: str = "ferry"
    also: tuple[str, ...] = ("claim-raises",)
    """Cases that give those something to see that only look on."""


def planted(bug: Bug, folder: Path) -> Path:
    """A copy of the node with the bug in it."""
    return bug.in_a_copy(FIRMWARE, folder / "micropython", "yardwire_node")


BY_THE_SUITE = {
    "json-of-the-interpreter": Bug(
        "the interpreter's own reader takes a trailing comma",
        "strict_json.py",
        "    value = text.value(1)\n    text.skip_space()\n    if text.at != len(text.text):\n",
        "    import json\n\n    value = json.loads(text.text)\n    if not value:\n",
        "encoding-unreadable",
    ),
    "nought-is-nothing": Bug(
        "the first stop is number 0, which is false",
        "shuttle.py",
        '== "at-place" and self._place is not None',
        '== "at-place" and self._place',
        "shuttle-found",
    ),
    "uptime-without-end": Bug(
        "integers have no end here, and uptime has",
        "speaker.py",
        "return (now_ms + ahead_ms) % WRAP",
        "return now_ms + ahead_ms",
        "encoding-ranges",
        also=("bench-wrap",),
    ),
    "deadline-with-more": Bug(
        "a deadline beyond the wrap is compared with >",
        "order_desk.py",
        'after(node.uptime(), order["deadline"])',
        'node.uptime() > order["deadline"]',
        "orders-late-across-wrap",
    ),
    "counts-again": Bug(
        "every connection counts its messages from nought",
        "node.py",
        "        self.speaker.online = True\n",
        "        self.speaker.online = True\n        self.speaker._seq.clear()\n",
        "link-comes-back",
    ),
    "will-of-the-last-link": Bug(
        "the will says the connection before",
        "node.py",
        "return self.speaker.off(self.speaker.link + 1)",
        "return self.speaker.off(self.speaker.link)",
        "link-will",
    ),
    "one-list-for-all": Bug(
        "two names for one list: what was changed is cleared while it is looked at",
        "shuttle.py",
        "changed = [sensor for sensor in self._sensors if sensor in self.inputs.changed]",
        "changed = self.inputs.changed",
        "orders-job",
    ),
    "hold-in-a-box": Bug(
        "a hold that already stands is not counted",
        "obey.py",
        "    node.holds = (node.holds + 1) & 0xFFFF\n",
        "    node.holds = node.holds if node.held else (node.holds + 1) & 0xFFFF\n",
        "hold-counts",
    ),
    "bounce-counts": Bug(
        "a level is believed at once",
        "inputs.py",
        "now_ms - self.since_ms[line] >= self._debounce_ms",
        "now_ms >= self.since_ms[line]",
        "berth-bounce",
        "siding",
    ),
    "time-of-the-round": Bug(
        "the time of an edge is that at which it was believed",
        "berth.py",
        'self._armed_at = inputs.since("arming")',
        "self._armed_at = node.now_ms - 40",
        "berth-times-arrival",
        "siding",
    ),
    "reach-of-one-axis": Bug(
        "a loop variable that outlives its loop: all are held to the limits of the last axis",
        "crane.py",
        "axis.least <= targets[number] <= axis.most",
        "self._hoist.least <= targets[number] <= self._axes[0].most",
        "crane-reach",
        "north",
    ),
    "cancel-in-the-air": Bug(
        "a cancel drops what has been picked",
        "obey.py",
        "job.is_open() and not job.past_return",
        "job.is_open()",
        "crane-cancel-too-late",
        "north",
    ),
}
"""By the case that has to speak against it, on virtual time."""

ON_THE_WIRE = {
    "subscribes-once": Bug(
        "the subscriptions of the first connection are thought to last",
        "mqtt.py",
        "                    self._put(packets.subscribe(self._next_number(), (self._own, self._everyone)))\n",
        "                    if self._node.speaker.link == 0:\n"
        "                        self._put(packets.subscribe(self._next_number(), (self._own, self._everyone)))\n"
        "                    else:\n                        node.connected()\n",
        "link-subscribe-first",
        also=("link-comes-back",),
    ),
    "order-of-another-day": Bug(
        "a retained order is obeyed",
        "mqtt.py",
        "if not kind & 1 and topic in",
        "if topic in",
        "link-retained-order",
    ),
    "blocking-move": Bug(
        "a motor is started by waiting for it",
        "shuttle.py",
        "        self._is_on = on\n",
        "        if on != self._is_on:\n            __import__('time').sleep_ms(1500)\n        self._is_on = on\n",
        "orders-job",
    ),
    "clean-session-forgotten": Bug(
        "the broker keeps orders for it while it is away",
        "packets.py",
        "flags = 0x02 | 0x04 |",
        "flags = 0x04 |",
        "link-clean-session",
    ),
}
"""By the case that has to speak against it, over a real broker."""

ON_THE_LINE = {
    "no-escape": Bug("0x7D is sent as it is", "frames.py", "if byte in (FLAG, ESCAPE):", "if byte == FLAG:"),
    "frame-across-two-reads": Bug(
        "a frame has to come in one read",
        "line.py",
        "        for byte in content:\n",
        "        self._reader = FrameReader()\n        for byte in content:\n",
    ),
    "check-not-looked-at": Bug(
        "the FCS is computed and not compared",
        "frames.py",
        "if fcs_of(content) == GOOD:",
        "if fcs_of(content):",
    ),
    "order-of-a-dead-line": Bug(
        "an order is obeyed while the bus is away",
        "line.py",
        'order["act"] == "hold"',
        'order["act"] != "ask"',
    ),
}
"""By a question to a node on a line."""

IN_ITS_RECORDS = {
    "half-written": Bug(
        "one record, over and over",
        "boot.py",
        "board.write_record(0 if is_second else 1,",
        "board.write_record(0,",
    ),
    "old-number-again": Bug(
        "the number is read and not counted up", "boot.py", "else before + 1)", "else before + 0)"
    ),
}
"""By a loss of power while the number of the boot is written."""
