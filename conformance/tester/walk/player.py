"""Plays the letters of a walk to a node and looks what it shows behind a fence. It judges nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from conformance.oracle.link_log import Message
from conformance.peers.payloads import newer, with_one_more_byte, with_tail
from conformance.suite.exchange import SentOrder
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import Cue, allowed_ms, complete, cues_for
from conformance.suite.verdict import Broken
from conformance.suite.walk.derivation import AT_REST
from conformance.suite.walk.letters import Letter, Numbers, Order
from conformance.suite.walk.seen import Said, Seen, Step
from conformance.tester.walk.looking import seen_in
from protocol.specification import FINAL, OPEN

LEAD_MS = 10_000
UNREADABLE = (b"{", b"\xa1\x02", b'{"act":"home"}', b"\xff", b'{"act":"jump","boot":1,"id":1}')
"""Cut off, with a field missing, of no encoding, and with an unknown word."""
DEBOUNCED_MS = 120
"""What is added to the delays of sensor inputs until they surely have had their effect."""
END_PULSE = (("end", True, 40), ("end", False, 40))
BUSY = ("homing", "working")
Hand = Callable[[bool], None]
"""Takes the crane by hand, or lets it go."""


class Player:
    """One node in one life, claimed, and with no open job when it begins."""

    def __init__(self, fixture: Fixture, hand: Hand | None = None) -> None:
        """Look how the node stands."""
        self.fixture, self._hand = fixture, hand
        self.seen = self._look()
        self.job: SentOrder | None = None
        """The order of the current or last job, where it is one of this walk's."""
        self._cues: list[Cue] = []
        self.open_since: float | None = None
        """Since when a job is open, on the bench's clock."""
        self._stands_since = fixture.bench.now_ms

    def play(self, letter: Letter) -> Step:
        """Bring a letter about, and tell what was seen before and behind it, and what was answered."""
        before, mark = self.seen, self.fixture.log.end
        sent = self._bring_about(letter, self.numbers(self.fixture.rng.getrandbits(30)))
        self._await(letter, sent)
        self.seen = self._look()
        self._come_to_rest()
        said = self._said(letter, sent, mark)
        self._note_ids(mark)
        self._follow(sent, before)
        return Step(letter, before, self.seen, said)

    def serve(self) -> bool:
        """Play the load that a running transfer waits for, as its machine would; gives whether it did."""
        sent = self.job
        if sent is None or sent.act != "transfer" or self.seen.job_state not in OPEN:
            return False
        due = [cue for cue in self._cues if any(cue.wanted(m) for m in self.fixture.log.since(sent.before))]
        for cue in due:
            self._cues.remove(cue)
            mark = self.fixture.log.end
            self.fixture.stimulate(*cue.inputs)
            self.fixture.watch(DEBOUNCED_MS)
            self.seen = self._look()
            self._note_ids(mark)
        return bool(due)

    def _follow(self, sent: SentOrder | None, before: Seen) -> None:
        """Keep what the next letter is relative to."""
        now = self.fixture.bench.now_ms
        if self.seen.machines != before.machines:
            self._stands_since = now
        if sent is not None and self.seen.job == sent.body.get("id") != before.job:
            self.job, self._cues = sent, self._cues_of(sent)
            self.open_since = now
        if self.seen.job_state not in OPEN:
            self.open_since = None

    def _cues_of(self, sent: SentOrder) -> list[Cue]:
        """The sensor inputs that the job needs; a stop sensor that is closed already opens first."""
        cues = cues_for(self.fixture, sent)
        if sent.act != "run" or self.fixture.node.shuttle is None:
            return list(cues)
        stops = self.fixture.node.shuttle.stops
        leaving = tuple((f"stop-{number}", False, 10) for number, _ in enumerate(stops, 1))
        there = (f"stop-{stops.index(str(sent.body['to'])) + 1}", True, 100)
        return [Cue(cue.wanted, (*leaving, there)) for cue in cues]

    # ---- bringing it about

    def numbers(self, chance: int) -> Numbers:
        """The numbers that the next order is relative to."""
        fixture, seen = self.fixture, self.seen
        fresh = fixture.fresh_id()
        stale = [one for one in (seen.mark, seen.mark - 1, seen.mark - 2) if one > 0 and one != seen.job]
        return Numbers(
            boot=seen.boot,
            other_boot=fixture.other_boot(),
            mark=seen.mark,
            fresh=fresh,
            stale=stale[chance // 2 % len(stale)],
            job=seen.job or 0,
            last={} if self.job is None else self.job.body,
            holds=seen.holds,
            faults=seen.faults,
            uptime=fixture.uptime_in(0),
            lead_ms=LEAD_MS,
            load=seen.load,
            place=seen.place,
            position=seen.position,
            chance=chance,
        )

    def _bring_about(self, letter: Letter, numbers: Numbers) -> SentOrder | None:
        fixture = self.fixture
        match letter.kind:
            case "order" | "sensors":
                if letter.happens == "pushed":
                    self._settle()
                return self._send(letter, self._meant(letter, numbers))
            case "retained":
                assert letter.order is not None
                fixture.bench.deliver_retained(fixture.topic(), fixture.encoded(letter.order(numbers)))
            case "bytes" if letter.order is not None:
                sent = self._send(letter, letter.order(numbers))
                return sent if "id" in sent.body else None
            case "bytes":
                fixture.send_raw(UNREADABLE[numbers.chance % len(UNREADABLE)])
            case "link":
                self._reconnect()
            case "hand":
                assert self._hand is not None
                self._hand(letter.happens == "by-hand")
                fixture.watch(DEBOUNCED_MS)
            case "play":
                self._play_job(letter)
        return None

    def _send(self, letter: Letter, order: Order) -> SentOrder:
        fixture = self.fixture
        match letter.written:
            case "all":
                return fixture.send(order, topic=fixture.topic(fixture.spec.everyone))
            case "strange":
                return SentOrder(order, fixture.send_raw(newer(fixture.encoded(order))))
            case "tail":
                tail = with_one_more_byte if fixture.rng.getrandbits(1) else with_tail
                return SentOrder(order, fixture.send_raw(tail(fixture.encoded(order))))
        return fixture.send(order)

    def _meant(self, letter: Letter, numbers: Numbers) -> Order:
        assert letter.order is not None
        order = letter.order(numbers)
        if letter.name == "repeat" and not order:
            # The job was there before the walk: only its id is known.
            return {"act": "resume", "boot": numbers.boot, "id": numbers.job, "holds": numbers.holds}
        return order

    def _settle(self) -> None:
        """A machine that has just come to stand overlooks sensors for a while [BER-10, SHT-07]."""
        if not any(state in AT_REST for state in self.seen.machines):
            return
        settling = self.fixture.stretched((self.fixture.spec.timing["settling"].value or 0) + 500)
        left = self._stands_since + settling - self.fixture.bench.now_ms
        if left > 0:
            self.fixture.watch(left)

    def _reconnect(self) -> None:
        fixture = self.fixture
        before = max((trace.connection for trace in fixture.log.traces[-1:]), default=0)
        fixture.bench.cut()

        def back() -> bool:
            newest = fixture.log.latest("node-status")
            again = newest is not None and newest.trace.connection > before
            return again and fixture.log.hears(fixture.topic())

        within = fixture.limit_ms("reconnect") + fixture.patience_ms
        if not fixture.bench.wait(back, within):
            raise Broken("LNK-10", f"a connection within {within:.0f} ms", "none")

    def _play_job(self, letter: Letter) -> None:
        fixture, sent = self.fixture, self.job
        assert sent is not None
        match letter.happens:
            case "finish":
                cues, self._cues = tuple(self._cues), []
                complete(fixture, sent, cues=cues)
            case "miss":
                self._cues = []
                complete(fixture, sent, cues=())
            case "grip":
                within = allowed_ms(fixture, sent.act)
                fixture.wait_for(self._cues[0].wanted, within, sent.before)
                self.serve()

                def holds(message: Message) -> bool:
                    return (
                        message.from_node
                        and message.name == "crane-status"
                        and message.body.get("load") == "box"
                    )

                fixture.wait_for(holds, fixture.patience_ms, sent.before)

    # ---- waiting for the effect

    def _await(self, letter: Letter, sent: SentOrder | None) -> None:
        fixture = self.fixture
        if sent is None:
            return
        if letter.kind == "sensors":
            self._await_sensors(letter, sent)
        elif sent.act in fixture.spec.jobs and letter.act:
            report = fixture.report(sent)
            if report.body["state"] == "accepted":
                fixture.wait_for(lambda m: _starts(m, sent), LEAD_MS + fixture.patience_ms, sent.before)

    def _await_sensors(self, letter: Letter, sent: SentOrder) -> None:
        fixture, count = self.fixture, self.seen.faults
        fixture.report(sent)
        strikes = letter.happens == "pushed" and any(state in AT_REST for state in self.seen.machines)
        if letter.happens == "power-failure" or strikes:
            fixture.wait_for(lambda m: _counts(m, count), fixture.patience_ms, sent.before)
        fixture.watch(fixture.stretched(sum(delay for _, _, delay in sent.body["inputs"]) + DEBOUNCED_MS))
        if letter.happens == "arming":
            self._cues = [Cue(lambda _message: True, END_PULSE)]

    def _come_to_rest(self) -> None:
        """A crane whose job was cancelled may brake for a while before it says 'ready' [CRN-11]."""
        if self.seen.job_state in OPEN or not set(self.seen.machines) & set(BUSY):
            return
        self.fixture.wait_for(
            lambda m: m.from_node and m.name == "crane-status" and m.body.get("mode") not in BUSY,
            allowed_ms(self.fixture, "home"),
        )
        self.seen = self._look()

    # ---- what is seen

    def _said(self, letter: Letter, sent: SentOrder | None, after: int) -> Said:
        """The reports for the order of that letter; for one that plays a job, the ids that were used for it."""
        if sent is None:
            used = [
                one["id"] for one in self._ordered(after) if one.get("boot") == self.seen.boot and "id" in one
            ]
            return Said((), max(used, default=None))
        acts = {sent.act}
        if letter.name == "repeat-changed" and self.job is not None:
            acts.add(self.job.act)
        if sent.act == "hold":
            return Said((), None)
        found = [
            (str(m.body["state"]), str(m.body.get("reason", "")))
            for m in self.fixture.log.sent("job-report", sent.before)
            if m.body and m.body["act"] in acts and m.body.get("id") == sent.told_under
        ]
        return Said(tuple(found), sent.id, "" if found else self._misdirected(sent))

    def _misdirected(self, sent: SentOrder) -> str:
        """A report for that act under the other id that the order carries, in words [ORD-14]."""
        others = {sent.body.get("id"), sent.body.get("ref")} - {None, sent.told_under}
        came = (m.body for m in self.fixture.log.sent("job-report", sent.before) if m.body)
        found = next((one for one in came if one["act"] == sent.act and one.get("id") in others), None)
        return "" if found is None else f", but one for {sent.act!r} {found['id']}"

    def _ordered(self, after: int) -> list[dict[str, Any]]:
        return [
            dict(m.body)
            for m in self.fixture.log.since(after)
            if not m.from_node and m.name == "job-order" and m.body and not m.retain
        ]

    def _note_ids(self, after: int) -> None:
        """No id is used for two orders: the next one lies above all that were sent."""
        ids = [int(body["id"]) for body in self._ordered(after) if "id" in body]
        self.fixture.used(max([self.seen.mark, *ids]))

    def _look(self) -> Seen:
        """Ask, and read all state messages that come before the answer."""
        fixture = self.fixture
        answer = fixture.ask()
        missing = [name for name in fixture.state_topics if name not in answer.states]
        fixture.check(
            not missing, "ORD-03", "every state message before the answer", f"no {', '.join(missing)}"
        )
        return seen_in(fixture, answer)


def _starts(message: Message, sent: SentOrder) -> bool:
    return message.is_report(sent.act, order=sent.id) and message.body["state"] in ("running", *FINAL)


def _counts(message: Message, faults: int) -> bool:
    """Whether it tells of a fault that was not counted before."""
    return message.from_node and message.name == "fault" and message.body.get("faults") != faults
