"""Says a recording again on a broker, and listens all the while: whoever comes, and is not known, stops it."""

from __future__ import annotations

import secrets
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from threading import Condition
from time import monotonic, sleep

from conformance.bench.brokers.probe import probe
from conformance.bench.connection.address import Address
from conformance.recordings.replay.leaving import Leaving
from conformance.recordings.replay.moved import Moved
from conformance.recordings.replay.presence import ENCODINGS, NodePresence, Presence, Standing
from conformance.recordings.replay.restamp import Restamp
from conformance.recordings.replay.schedule import Schedule
from conformance.recordings.site_listener import SiteListener
from protocol.caution import outcome_of_hold
from protocol.codec import encode
from protocol.participant import Delivery, Participant, Publication
from protocol.recording import RecordedMessage
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import Topic
from protocol.trouble import Trouble
from protocol.wire.fail_stop import Failed, check
from protocol.wire.mqtt import MqttHost

SETTLE_S = 0.5
"""Time for retained messages to come, so that a node is asked in an encoding that it reads."""
ASK_AGAIN_S = 2.0
WINDOW = 20
"""Messages on their way that have not come back: MQTT clients and brokers keep as many without queueing."""
COMES_BACK_S = 10.0
LOOK_S = 0.1
HOLD_S = 0.4
"""How long the end of a replay that is broken off waits for nodes to say that they are held."""
NOBODY = "nobody"
"""Asked where there is nobody to ask, so that the ask comes back all the same."""


class ReplayClient(SiteListener):
    """A participant that says what it is given and hears the whole site, its own words too."""

    def __init__(self, schedule: Schedule, speaks_as: frozenset[str] | None) -> None:
        """`speaks_as` None: it orders, or speaks as everybody."""
        super().__init__(schedule.site, f"rpl-{secrets.token_hex(3)}")
        self.presence = Presence()
        self.changed = Condition()
        self.broken: Trouble | None = None
        """Why nothing may be said any more."""
        self.unheard: Counter[tuple[str, bytes]] = Counter()
        """What was said and has not come back."""
        self._schedule = schedule
        self._speaks_as = speaks_as
        self._asked: dict[str, float] = {}
        self._passed: dict[str, Standing] | None = None

    def disconnected(self, now_ms: int) -> None:
        """What was missed meanwhile is not known, so it is over."""
        self._break(Trouble("the connection was lost, so it is not known who is there any more"))

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Take one's own words off the list, and note who says anything else."""
        said = (delivery.topic, delivery.payload)
        with self.changed:
            if said in self.unheard:
                self.unheard[said] -= 1
                if not self.unheard[said]:
                    del self.unheard[said]
                self.changed.notify_all()
                return ()
        self._look(self.presence.hear(delivery))
        return ()

    # ------------------------------------------------------------ on the host's thread
    def say(self, publications: Sequence[Publication]) -> Sequence[Publication]:
        """What of this may go out: all or nothing."""
        if self.broken is not None:
            return ()
        with self.changed:
            self.unheard.update((one.topic, one.payload) for one in publications)
        return publications

    def ask(self) -> Sequence[Publication]:
        """Ask everybody who is known and has not answered."""
        now = monotonic()
        heard = self.presence.heard
        names = (self._schedule.nodes | {name for name in heard if _askable(name)}) or {NOBODY}
        due = [
            name
            for name in sorted(names)
            if not heard.get(name, NodePresence()).answered and now >= self._asked.get(name, 0.0)
        ]
        publications = []
        for name in due:
            self._asked[name] = now + ASK_AGAIN_S
            for encoding in self._encodings(name):
                token = secrets.randbits(32)
                self.presence.tokens.add(token)
                payload = encode("job-order", {"act": "ask", "token": token}, encoding)
                topic = str(Topic(self._schedule.site, name, "job-order"))
                publications.append(Publication(topic, payload, 1, retain=False))
        return self.say(publications)

    def holds(self, names: Iterable[str]) -> Sequence[Publication]:
        """A hold for each of these nodes, which nothing keeps back."""
        out = []
        for name in names:
            self.presence.heard.setdefault(name, NodePresence()).held = False
            out += [
                Publication(
                    str(Topic(self._schedule.site, name, "job-order")),
                    encode("job-order", {"act": "hold"}, encoding),
                    1,
                    retain=False,
                )
                for encoding in self._encodings(name)
            ]
        with self.changed:
            self.unheard.update((one.topic, one.payload) for one in out)
        return out

    def _encodings(self, name: str) -> tuple[Encoding, ...]:
        known = self.presence.heard.get(name, NodePresence()).reads
        return known or self._schedule.reads.get(name) or (*ENCODINGS["json"], *ENCODINGS["cbor"])

    def pass_gate(self) -> dict[str, NodePresence]:
        """From now on whoever comes, or leaves the bench, stops it; gives who is there."""
        there = self.presence.concerned(self._speaks_as)
        self._passed = {name: one.standing for name, one in there.items()}
        return there

    def _look(self, name: str) -> None:
        if self._passed is None:
            return
        one = self.presence.concerned(self._speaks_as).get(name)
        before = self._passed.get(name, Standing.GONE)
        if one is None or one.standing <= before:
            return
        what = (
            "has left the bench" if before is Standing.BENCH else "was not there when the bus was looked at"
        )
        fix = "See what it is, then start again"
        self._break(Trouble(f"{name} {what} ({one.why}); nothing more is published", fix=fix))

    def _break(self, trouble: Trouble) -> None:
        with self.changed:
            self.broken = self.broken or trouble
            self.changed.notify_all()


def _askable(name: str) -> bool:
    most = specification().common["$defs"]["node"]["maxLength"]
    return 0 < len(name) <= most and name.replace("-", "").isalnum() and name.isascii()


class Session:
    """A replay on its host, used from one other thread. Everything raises Trouble once nothing may be said."""

    def __init__(self, client: ReplayClient, host: MqttHost, where: str) -> None:
        self._client, self._host, self._where = client, host, where
        self._moved = Moved()

    def look_around(self) -> dict[str, NodePresence]:
        """Ask and listen for as long as a silent node may be there; gives who is there and concerned, by name.

        From here on whoever comes, or leaves the bench, stops it.
        """
        end = monotonic() + specification().most_ms("state_silence") / 1000
        self.pause(SETTLE_S)
        while monotonic() < end:
            self._host.call(lambda _participant, _now_ms: self._client.ask())
            self.pause(SETTLE_S)
        self.drain(ASK_AGAIN_S)
        found: list[dict[str, NodePresence]] = []

        def look(_participant: Participant, _now_ms: int) -> Sequence[Publication]:
            found.append(self._client.pass_gate())
            return ()

        self._host.call(look)
        return found[0]

    def boots(self) -> dict[str, int]:
        """The boots that nodes have said now."""
        heard = dict(self._client.presence.heard)
        return {name: one.boot for name, one in heard.items() if one.boot is not None}

    def publish(self, publications: Sequence[Publication]) -> None:
        """Publish as soon as enough of what was said before has come back."""
        for one in publications:
            self._moved.said(one)
        self._wait(lambda: self._client.unheard.total() + len(publications) <= WINDOW, COMES_BACK_S)
        self._host.call(lambda _participant, _now_ms: self._client.say(publications))
        self.check()

    def drain(self, within_s: float = COMES_BACK_S) -> None:
        """Wait until everything has come back."""
        self._wait(lambda: not self._client.unheard.total(), within_s)

    def pause(self, seconds: float) -> None:
        """Wait, listening."""
        end = monotonic() + seconds
        while (left := end - monotonic()) > 0:
            self.check()
            with self._client.changed:
                self._client.changed.wait_for(lambda: self._client.broken is not None, min(LOOK_S, left))
        self.check()

    def hold(self) -> list[str]:
        """Hold every node that this may have set in motion, and wait a moment for its word; gives what came of each.

        Nothing keeps a hold back but an error in a thread, after which nothing is published. It is never asked first.
        """
        names = sorted(self._moved.nodes)
        sent = False
        if names:
            with suppress(Exception, Failed):  # Whatever it is, the replay ends.
                check()
                sent = self._host.call(lambda _participant, _now_ms: self._client.holds(names), HOLD_S)
        if not sent:
            return [outcome_of_hold(name, None) for name in names]
        heard, end = self._client.presence.heard, monotonic() + HOLD_S
        while monotonic() < end and not all(heard[name].held for name in names):
            sleep(LOOK_S / 5)
        return [outcome_of_hold(name, heard[name].held) for name in names]

    def check(self) -> None:
        """Raise Trouble where nothing may be said any more."""
        check()
        self._host.wait_failed(0)
        if self._client.broken is not None:
            raise self._client.broken

    def _wait(self, happened: Callable[[], bool], within_s: float) -> None:
        end = monotonic() + within_s
        while True:
            self.check()
            with self._client.changed:
                if self._client.changed.wait_for(
                    lambda: happened() or self._client.broken is not None, LOOK_S
                ):
                    break
                if monotonic() >= end:
                    topic = next(iter(self._client.unheard))[0]
                    raise Trouble(
                        f"what was published on {topic} does not come back, so it is not known who is there",
                        where=self._where,
                        fix="Give this user the right to read and write the whole site",
                    )
        self.check()


@contextmanager
def connected(address: Address, schedule: Schedule, speaks_as: frozenset[str] | None) -> Iterator[Session]:
    """A session on this broker. Raises Trouble."""
    probe(address)
    client = ReplayClient(schedule, speaks_as)
    host = address.client(client)
    host.start()
    try:
        yield Session(client, host, address.name)
    finally:
        host.stop()


def say(
    session: Session,
    messages: Iterable[RecordedMessage],
    restamp: Restamp,
    schedule: Schedule,
    *,
    speed: float | None,
    tick: Callable[[int], object] = lambda _number: None,
) -> tuple[int, list[str]]:
    """Publish them all; `speed` None: as fast as they come back. Then 'off' for whoever they leave 'on'. `tick` gets
    how many are out.

    Gives the number of messages of the recording, and the nodes that were said to be off. Raises Trouble
    as the session does, and for a message that is not in the schedule.
    """
    number = 0
    leaving = Leaving()
    began = monotonic()
    first_us: int | None = None
    ready: list[Publication] = []
    for item in messages:
        if not schedule.covers(item):
            raise Trouble(
                "the recording has changed since it was looked at; nothing more is published",
                fix="Start again",
            )
        first_us = item.at_us if first_us is None else first_us
        wait = 0.0 if speed is None else (item.at_us - first_us) / 1e6 / speed - (monotonic() - began)
        if ready and (wait > 0 or len(ready) == WINDOW // 2):
            session.publish(ready)
            ready = []
        if wait > 0:
            session.pause(wait)
        ready.append(restamp.publication(item))
        leaving.said(ready[-1])
        number += 1
        tick(number)
    session.publish(ready)
    for one in leaving.publications():
        session.publish([one])
    session.drain()
    return number, leaving.nodes
