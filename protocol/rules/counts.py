"""Boot, seq and uptime of every topic; the heartbeat; the count of connections."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from protocol.counting import COUNT_MODULUS, next_count, uptime_difference
from protocol.rules.received import Breach, ReceivedMessage
from protocol.specification import STATE_MESSAGES, specification

REMEMBERED = 64
"""Messages of a topic among which a second delivery is looked for."""
SILENCE_GRACE_US = 3_000_000
"""A recorder hears later than a node speaks, and a connection takes time to come back."""
SETTING_US = 2_000_000
"""So long after the order the uptime has been set."""
PATIENCE = 5
"""Heartbeats that one topic may lose while its node speaks on others."""


@dataclass(slots=True)
class _Track:
    """What was last heard on one topic."""

    boot: int
    seq: int
    uptime: int
    number: int
    at_us: int
    recent: deque[tuple[int, int, bytes]] = field(default_factory=lambda: deque(maxlen=REMEMBERED))
    silent: bool = False


class Counts:
    """Judges the counts of each topic [MSG-02, MSG-03, MSG-04, MSG-07, MSG-08, LNK-09].

    It also tells the other rules what they may conclude: `follow` gives the message as they should take it,
    or None for a second delivery, which is no second message.
    """

    def __init__(self) -> None:
        self._tracks: dict[tuple[str, str, str], _Track] = {}
        self._boots: dict[str, deque[int]] = {}
        self._links: dict[str, tuple[int, int]] = {}
        self._off: set[str] = set()
        self._supervisors: set[str] = set()
        self._uptime_set: dict[str, int] = {}
        """When a node was ordered last to set its uptime, in us: what each topic said before tells nothing then."""
        self._looked_us = 0

    def forget(self) -> None:
        """There is a gap in what was heard: nothing follows from what was before."""
        self._tracks.clear()
        self._links.clear()

    def follow(self, heard: ReceivedMessage, payload: bytes, found: list[Breach]) -> ReceivedMessage | None:
        """Judge one message; what is found is added to `found`."""
        body, node = heard.body, heard.node
        if heard.message == "job-order":
            if body["act"] == "set-uptime":
                self._uptime_set[node] = heard.at_us
            return heard
        if "seq" not in body:
            found.extend(self._link(heard, lost=True))
            return heard
        self._off.discard(node)
        self._note_supervisor(heard)
        key = (node, heard.message, heard.place)
        track = self._tracks.get(key)
        print_ = (body["boot"], body["seq"], payload)
        if track is None:
            track = self._tracks[key] = _Track(*_counts(heard), heard.number, heard.at_us)
            track.recent.append(print_)
            found.extend(self._link(heard, lost=True))
            return replace(heard, lost=True, first=True)
        if print_ in track.recent:
            return None
        track.recent.append(print_)
        followed = self._judge(heard, track, found)
        found.extend(self._link(heard, lost=followed.lost))
        track.boot, track.seq, track.uptime = _counts(heard)
        track.number, track.at_us, track.silent = heard.number, heard.at_us, False
        return followed

    def _judge(self, heard: ReceivedMessage, track: _Track, found: list[Breach]) -> ReceivedMessage:
        boot, seq, uptime = _counts(heard)
        if boot != track.boot:
            found.extend(self._new_boot(heard, track))
            return replace(heard, lost=True, new_boot=True)
        ahead = (seq - track.seq) % COUNT_MODULUS
        lost = ahead != 1
        if lost:
            found.append(self._gap(heard, track, ahead))
        since = uptime_difference(uptime, track.uptime)
        if track.at_us < self._uptime_set.get(heard.node, -SETTING_US) + SETTING_US:
            pass
        elif since < 0:
            what = f"uptime went back by {-since} ms"
            found.append(heard.breach("MSG-08", what, since=track.number))
        elif not lost:
            found.extend(self._heartbeat(heard, track, since))
        return replace(heard, lost=lost) if lost else heard

    def _gap(self, heard: ReceivedMessage, track: _Track, ahead: int) -> Breach:
        seq = heard.body["seq"]
        topic = heard.message + (f"/{heard.place}" if heard.place else "")
        if ahead == 0:
            what = f"{topic} has seq {seq} twice, with different contents"
            return heard.breach("MSG-07", what, since=track.number)
        if ahead > COUNT_MODULUS // 2:
            what = f"seq of {topic} went from {track.seq} back to {seq}"
            return heard.breach("MSG-07", what, since=track.number)
        count = ahead - 1
        what = f"{count} {topic} message{'s' if count > 1 else ''} lost before seq {seq}"
        return heard.breach("MSG-07", what, since=track.number, note=True)

    def _new_boot(self, heard: ReceivedMessage, track: _Track) -> Iterator[Breach]:
        boots = self._boots.setdefault(heard.node, deque([track.boot], maxlen=16))
        boot = heard.body["boot"]
        if boots[-1] == boot:
            return
        if boot in boots:
            yield heard.breach("MSG-04", f"boot {boot} again after boot {boots[-1]}", since=track.number)
            return
        boots.append(boot)
        self._links.pop(heard.node, None)
        yield heard.breach("MSG-05", f"restarted: boot {track.boot} became {boot}", note=True)

    def _heartbeat(self, heard: ReceivedMessage, track: _Track, since: int) -> Iterator[Breach]:
        most = self._most_ms(heard.node, heard.message)
        if most is not None and since > most + most * _tolerance():
            id_ = "MSG-03" if heard.message == "node-status" else "MSG-02"
            what = f"{heard.message} after {since} ms of the node's own time; at most {most} are allowed"
            yield heard.breach(id_, what, since=track.number)

    def _link(self, heard: ReceivedMessage, *, lost: bool) -> Iterator[Breach]:
        if heard.message != "node-status":
            return
        boot, link = heard.body["boot"], heard.body["link"]
        if heard.body["state"] == "off":
            if self._links.get(heard.node, (boot, link)) == (boot, link):
                self._off.add(heard.node)
            return
        before = self._links.get(heard.node)
        self._links[heard.node] = (boot, link)
        fits = before is None or before[0] != boot or link in (before[1], next_count(before[1]))
        if before is not None and not fits and not lost:  # a connection may end before anybody heard of it
            yield heard.breach("LNK-09", f"the connection count went from {before[1]} to {link}")

    def _note_supervisor(self, heard: ReceivedMessage) -> None:
        roles = heard.body.get("roles", ())
        if heard.message == "yard-map" or "supervisor" in roles:
            self._supervisors.add(heard.node)

    def _most_ms(self, node: str, message: str) -> int | None:
        if message not in STATE_MESSAGES or node in self._supervisors:
            return None
        return specification().timing["status_repeat" if message == "node-status" else "state_repeat"].most

    def look(self, at_us: int, number: int) -> Iterator[Breach]:
        """Say which nodes have fallen silent by now; cheap to call often."""
        if at_us - self._looked_us < 500_000:
            return
        self._looked_us = at_us
        spoke: dict[str, int] = {}
        for (node, _, _), track in self._tracks.items():
            spoke[node] = max(spoke.get(node, track.at_us), track.at_us)
        for (node, message, _), track in self._tracks.items():
            most = self._most_ms(node, message)
            if most is None or track.silent or node in self._off:
                continue
            # A topic may lose two messages in a row while its node speaks on; a node that says nothing is gone.
            patience = most * 1000 * (1 if at_us - spoke[node] > most * 1000 else PATIENCE) + SILENCE_GRACE_US
            gap_us = at_us - track.at_us
            if gap_us > patience:
                track.silent = True
                id_ = "MSG-03" if message == "node-status" else "MSG-02"
                what = f"no {message} for {gap_us / 1e6:.1f} s; at most {most / 1000:g} s are allowed"
                yield Breach(id_, what, at_us, number, node, track.number)


def _tolerance() -> float:
    """What may be added to a heartbeat's limit, as a share of it."""
    return (specification().timing["repeat_tolerance"].value or 0) / 100


def _counts(heard: ReceivedMessage) -> tuple[int, int, int]:
    return heard.body["boot"], heard.body["seq"], heard.body["uptime"]
