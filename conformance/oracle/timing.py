"""Time, as a node tells it: uptime goes on as our own clock does, and every state comes often enough.

How often is measured by the node's own uptime: a bench or a link that stalls makes no message late.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message
from protocol.counting import UPTIME_MODULUS, uptime_difference
from protocol.specification import specification

BEAT_GRACE_MS = 100
"""A loop that looks at its clock now and then is a little late: the tolerance of MSG-02 and MSG-03."""
CLOCK_GRACE_MS = 1000
CLOCK_ERROR = 0.05
"""How far uptime may be from our clock: common practice, no published source; crystals are a hundred times better,
and an RC oscillator trimmed by its maker is within it."""
STALL_MS = 2500
"""For so long uptime has to be off: what a stall of the bench or the link held back comes all at once behind it."""
STAMP_MS = 20
"""How exactly two times of the bench's clock are known."""

Tell = Callable[[str, str, Oracle, int], None]


class Timing:
    """Follows one boot of a node; `tell` takes requirement, what was seen, oracle and trace number."""

    def __init__(
        self,
        tell: Tell,
        counted: Counter[str],
        stalled: Callable[[float, float], float] = lambda _begin_ms, _end_ms: 0.0,
        carried: Callable[[float, float], float] = lambda _begin_ms, _end_ms: 0.0,
    ) -> None:
        """`counted` takes how often each requirement was judged.

        `stalled` tells for how many ms the test machine stood still between two instants: a node that is a program on
        it, and waits for a processor, is late by its own time too. `carried` tells for how many ms its serial line was
        at work meanwhile: what repeats itself is made when there is room for it [SER-12], and heard when it has passed.
        """
        self._tell, self._counted, self._stalled, self._carried = tell, counted, stalled, carried
        self._beats: dict[str, int] = {}
        """The uptime of each state message when it came last."""
        self._newest: int | None = None
        """The newest uptime; None while it is being set."""
        self._newest_ms = 0.0
        self._anchor: tuple[int, float] | None = None
        """An uptime, and when it was said."""
        self._off_ms: float | None = None
        """Since when uptime has been too far from our clock."""

    def set_anew(self) -> None:
        """The uptime is being set, or a new boot has begun: what was said of it is past."""
        self._newest = self._anchor = self._off_ms = None
        self._beats.clear()

    def disturbed(self) -> None:
        """The link was bad or is new: messages may have been under way for any time, or never have been said."""
        self._anchor = self._off_ms = None
        self._beats.clear()

    @property
    def known(self) -> bool:
        """Whether the node's uptime is known."""
        return self._newest is not None

    def at(self, at_ms: float) -> int:
        """The uptime at an instant of the bench's clock, as far as known."""
        return (self._newest or 0) + int(at_ms - self._newest_ms)

    def surely_past(self, deadline: int, at_ms: float) -> bool | None:
        """Whether an order that comes at `at_ms` finds its deadline past; None where it may, or may not."""
        if self._newest is None:
            return None
        gone = (at_ms - self._newest_ms) * (1 - CLOCK_ERROR) - STAMP_MS
        least = (self._newest + max(0, int(gone))) % UPTIME_MODULUS
        return True if uptime_difference(least, deadline) > 0 else None

    def said(self, message: Message, *, setting: bool, told: bool, excused: bool) -> None:
        """Take in a message of the node; `setting`: a set-uptime is on its way to it, `told`: this reports one."""
        if "uptime" not in message.body:
            return
        if setting or told:
            self.set_anew()
        uptime, was = message.body["uptime"], self._newest
        if was is not None:
            self._counted["MSG-08"] += 1
            if uptime_difference(uptime, was) < 0:
                what = f"uptime went back by {-uptime_difference(uptime, was)} ms"
                self._tell("MSG-08", what, Oracle.UPTIME, message.number)
        if setting:
            return
        self._newest, self._newest_ms = uptime, message.at_ms
        if excused:
            self.disturbed()
            return
        self._compared(uptime, message)
        self._late(uptime, message)

    def was_set(self, value: int, came_ms: float, message: Message) -> None:
        """BEN-04: the report that the uptime was set, by an order that came at `came_ms`."""
        self._counted["BEN-04"] += 1
        ahead = (message.body["uptime"] - value) % UPTIME_MODULUS
        if ahead > (message.at_ms - came_ms) * (1 + CLOCK_ERROR) + STAMP_MS:
            what = f"the uptime was set to {value}, and is {message.body['uptime']}"
            self._tell("BEN-04", what, Oracle.UPTIME, message.number)

    def _compared(self, uptime: int, message: Message) -> None:
        if self._anchor is None:
            self._anchor = uptime, message.at_ms
            return
        begin, begin_ms = self._anchor
        passed, ours = uptime_difference(uptime, begin), message.at_ms - begin_ms
        off = abs(passed - ours)
        lines = self._carried(message.at_ms - off, message.at_ms) + self._carried(begin_ms - off, begin_ms)
        if off <= CLOCK_GRACE_MS + CLOCK_ERROR * ours + lines:
            self._off_ms = None
            return
        self._off_ms = message.at_ms if self._off_ms is None else self._off_ms
        if message.at_ms - self._off_ms >= STALL_MS:
            what = f"uptime went on by {passed} ms in {ours:.0f} ms"
            self._tell("MSG-08", what, Oracle.UPTIME, message.number)
            self._anchor = self._off_ms = None

    def _late(self, uptime: int, message: Message) -> None:
        """Tell of every state message that is overdue by now."""
        for name, was in self._beats.items():
            figure = "status_repeat" if name == "node-status" else "state_repeat"
            most = specification().most_ms(figure)
            gap = uptime_difference(uptime, was)
            if gap <= most + BEAT_GRACE_MS:
                continue
            since_ms = message.at_ms - gap - STALL_MS
            held_up = self._stalled(since_ms, message.at_ms) + self._carried(since_ms, message.at_ms)
            if gap <= most + BEAT_GRACE_MS + held_up:
                self._beats[name] = uptime
                continue
            requirement = "MSG-03" if name == "node-status" else "MSG-02"
            what = f"no {name} for {gap} ms of the node's own time; at most {most} are allowed"
            self._tell(requirement, what, Oracle.HEARTBEAT, message.number)
            self._beats[name] = uptime
        if message.name != "job-report":
            if message.name in self._beats:
                self._counted["MSG-03" if message.name == "node-status" else "MSG-02"] += 1
            self._beats[message.name] = uptime

    def begins(self, names: tuple[str, ...], uptime: int) -> None:
        """A connection has begun: each of these states is due from now on."""
        self._beats = dict.fromkeys(names, uptime)
