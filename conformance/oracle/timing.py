"""The oracles of time: every state message comes often enough, and uptime goes on as our own clock does."""

from __future__ import annotations

from collections.abc import Callable

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message
from protocol.counting import uptime_difference
from protocol.specification import specification

BEAT_GRACE_MS = 500
"""What a link may add to the gap between two heartbeats."""
CLOCK_GRACE_MS = 1000
CLOCK_ERROR = 0.05
"""How far uptime may be from our clock: common practice, no published source; crystals are a hundred times better,
and an RC oscillator trimmed by its maker is within it."""

Tell = Callable[[str, str, Oracle, int], None]


class Timing:
    """Follows one boot of a node; `tell` takes requirement, what was seen, oracle and trace number."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._beats: dict[str, float] = {}
        """When each state message came last."""
        self._newest: int | None = None
        """The newest uptime; None while it is being set."""
        self._anchor: tuple[int, float] | None = None
        """An uptime, and when it was said."""

    def set_anew(self) -> None:
        """The uptime is being set, or a new boot has begun: what was said of it is past."""
        self._newest = self._anchor = None

    def disturbed(self) -> None:
        """The link was bad: messages may have been under way for any time."""
        self._anchor = None

    def said(self, message: Message, excused_ms: float, *, setting: bool, told: bool) -> None:
        """Take in a message of the node; `setting`: a set-uptime is on its way to it, `told`: this reports one."""
        self.late(message.at_ms, excused_ms)
        if message.name != "job-report":
            self._beats[message.name] = message.at_ms
        if "uptime" not in message.body:
            return
        if setting or told:
            self.set_anew()
        uptime, was = message.body["uptime"], self._newest
        if was is not None and uptime_difference(uptime, was) < 0:
            what = f"uptime went back by {-uptime_difference(uptime, was)} ms"
            self._tell("MSG-08", what, Oracle.UPTIME, message.number)
        if setting:
            return
        self._newest = uptime
        if message.at_ms > excused_ms:
            self._compared(uptime, message)

    def _compared(self, uptime: int, message: Message) -> None:
        if self._anchor is None:
            self._anchor = uptime, message.at_ms
            return
        begin, begin_ms = self._anchor
        passed, ours = uptime_difference(uptime, begin), message.at_ms - begin_ms
        if abs(passed - ours) > CLOCK_GRACE_MS + CLOCK_ERROR * ours:
            what = f"uptime went on by {passed} ms in {ours:.0f} ms"
            self._tell("MSG-08", what, Oracle.UPTIME, message.number)
            self._anchor = None

    def late(self, now_ms: float, excused_ms: float) -> None:
        """Tell of every state message that is overdue by now."""
        for name, at_ms in self._beats.items():
            figure = "status_repeat" if name == "node-status" else "state_repeat"
            most = specification().most_ms(figure)
            if now_ms - max(at_ms, excused_ms) <= most + BEAT_GRACE_MS:
                continue
            self._beats[name] = now_ms
            requirement = "MSG-03" if name == "node-status" else "MSG-02"
            what = f"no {name} for {now_ms - at_ms:.0f} ms; at most {most} are allowed"
            self._tell(requirement, what, Oracle.HEARTBEAT, 0)
