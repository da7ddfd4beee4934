"""Plays the letters of a walk to a node, looks what follows behind a fence, and holds that against what may follow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.fixture import Fixture, SentOrder
from conformance.suite.preamble import Cue, allowed_ms, complete, cues_for
from conformance.suite.verdict import Broken
from conformance.suite.walk.derivation import AT_REST, Derivation
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.letters import Letter, Numbers, Order
from conformance.suite.walk.seen import Candidate, Said, Seen, Step, candidates
from conformance.tester.walk.looking import seen_in
from protocol.specification import FINAL, OPEN

LEAD_MS = 10_000
UNREADABLE = (b"{", b"\xa1\x02", b'{"act":"home"}', b"\xff", b'{"act":"jump","boot":1,"id":1}')
"""Cut off, with a field missing, of no encoding, and with an unknown word."""
DEBOUNCED_MS = 120
"""What is added to the delays of sensor inputs until they surely have had their effect."""
UNPICKED = ("travel-to-pick", "lower-to-pick")
"""Steps of a transfer in which nothing is picked yet."""
BUSY = ("homing", "working")
Hand = Callable[[bool], None]
"""Takes the crane by hand, or lets it go."""


@dataclass(frozen=True, slots=True)
class Played:
    """A letter that was played, and what it showed."""

    step: Step
    left: tuple[Candidate, ...]
    """Every way in which it may have gone."""
    belief: tuple[Desk, ...]
    """The states in which the node may have been when it was sent."""

    @property
    def before(self) -> Desk | None:
        """The state in which the letter came; None where it may have been one of several."""
        came = dict.fromkeys(one.before for one in self.left)
        # A job that goes on by itself may have gone on before the letter came; mostly it has not.
        likely = [desk for desk in came if desk in self.belief] or list(came)
        return likely[0] if len(likely) == 1 else None

    @property
    def now(self) -> tuple[Desk, ...]:
        """The states in which the node may be."""
        return tuple(dict.fromkeys(one.now for one in self.left))


class Player:
    """One node in one life. `belief` is every state that it may be in by all that was seen."""

    def __init__(self, fixture: Fixture, derivation: Derivation, hand: Hand | None = None) -> None:
        """Look how the node stands. It must be claimed, not held, and have no open job."""
        self.fixture, self.derivation, self._hand = fixture, derivation, hand
        self.seen = self._look()
        self.belief: tuple[Desk, ...] = (self._shown(),)
        self._job: SentOrder | None = None
        self._cues: list[Cue] = []
        self.open_since: float | None = None
        """Since when a job is open, on the bench's clock."""
        self._stands_since = fixture.bench.now_ms

    @property
    def desk(self) -> Desk:
        """The likeliest of the states that the node may be in."""
        return self.belief[0]

    def _shown(self) -> Desk:
        seen = self.seen
        return Desk(seen.machines, seen.job_state or "none", held=seen.held, load=seen.load, homed=seen.homed)

    # ---- one letter

    def play(self, letter: Letter) -> Played | None:
        """Play a letter; None where by now it does not apply. Raises Broken where the node does what it must not."""
        self._serve()
        possible = candidates(self.derivation, self.belief, letter)
        if not possible:
            return None
        before, belief, mark = self.seen, self.belief, self.fixture.log.end
        numbers = self.numbers(self.fixture.rng.getrandbits(30))
        sent = self._bring_about(letter, numbers)
        self._await(letter, sent, possible)
        self.seen = self._look()
        self._come_to_rest()
        said = self._said(letter, sent, mark)
        self._note_ids(mark)
        step = Step(letter, before, self.seen, said)
        roles = self.fixture.node.roles
        left, difference, judged = step.judge(possible, roles)
        for requirement in judged:
            self.fixture.judged[requirement] += 1
        if self.seen.boot != before.boot:
            raise Broken(
                "MSG-05", f"boot {before.boot} as before", f"boot {self.seen.boot}: the node restarted"
            )
        if difference is not None:
            self._broken(difference.requirement, difference.expected, difference.seen)
            left = [one for one in left if self.seen.fits(one.now)] or left
        left = self._by_steps(left, mark)
        self._follow(sent, left)
        return Played(step, tuple(left), belief)

    def _by_steps(self, left: list[Candidate], sent: int) -> list[Candidate]:
        """What is left where the node tells the step of its transfer; it need not."""
        if any(one.outcome.begun for one in left):
            return left
        came, is_ = self._tells_picked(sent), self._tells_picked(self.fixture.log.end)
        left = [one for one in left if came in (None, one.before.picked) or not one.before.open] or left
        return [one for one in left if is_ in (None, one.now.picked) or not one.now.open] or left

    def _tells_picked(self, until: int) -> bool | None:
        """Whether the job is past return by the last step that was told of it; None where none was."""
        sent = self._job
        if sent is None or sent.act != "transfer":
            return None
        told = (
            m
            for m in self.fixture.log.since(sent.before)
            if m.number <= until and m.is_report("transfer", order=sent.id)
        )
        steps = [str(m.body["step"]) for m in told if "step" in m.body]
        return steps[-1] not in UNPICKED if steps else None

    def _broken(self, requirement: str, expected: str, seen: str) -> None:
        """A requirement that the node's minor version does not have is no reason: then it is the general one."""
        known = requirement in self.fixture.asked.requirements
        self.fixture.check(False, requirement if known else "ORD-20", expected, seen)

    def _follow(self, sent: SentOrder | None, left: list[Candidate]) -> None:
        """What is believed from now on."""
        now = self.fixture.bench.now_ms
        if any(one.now.machines != one.before.machines for one in left):
            self._stands_since = now
        self.belief = tuple(dict.fromkeys(one.now for one in left))
        if sent is not None and any(one.outcome.begun for one in left):
            self._job, self._cues = sent, self._cues_of(sent)
            self.open_since = now
        if not any(desk.open for desk in self.belief):
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
        stale = [one for one in (seen.mark, seen.mark - 1, self._claim) if one not in (seen.job, 0)]
        return Numbers(
            boot=seen.boot,
            other_boot=fixture.other_boot(),
            mark=seen.mark,
            fresh=fresh,
            stale=stale[chance // 2 % len(stale)],
            job=seen.job or 0,
            last={} if self._job is None else self._job.body,
            holds=seen.holds,
            faults=seen.faults,
            uptime=fixture.uptime_in(0),
            lead_ms=LEAD_MS,
            load=seen.load,
            place=seen.place,
            position=seen.position,
            chance=chance,
        )

    @property
    def _claim(self) -> int:
        return 1

    def _bring_about(self, letter: Letter, numbers: Numbers) -> SentOrder | None:
        fixture = self.fixture
        match letter.kind:
            case "order" | "sensors":
                if letter.happens == "pushed":
                    self._settle()
                assert letter.order is not None
                return fixture.send(self._meant(letter, numbers))
            case "retained":
                assert letter.order is not None
                fixture.bench.deliver_retained(fixture.topic(), fixture.encoded(letter.order(numbers)))
            case "bytes":
                fixture.send_raw(UNREADABLE[numbers.chance % len(UNREADABLE)])
            case "link":
                self._reconnect()
            case "hand":
                assert self._hand is not None
                self._hand(letter.happens == "by-hand")
            case "play":
                self._play_job(letter)
        return None

    def _meant(self, letter: Letter, numbers: Numbers) -> Order:
        assert letter.order is not None
        order = letter.order(numbers)
        if letter.name == "repeat" and not order:
            # The job was there before the walk: only its id is known.
            return {"act": "resume", "boot": numbers.boot, "id": numbers.job, "holds": numbers.holds}
        return order

    def _settle(self) -> None:
        """A machine that has just come to stand overlooks sensors for a while [BER-10, SHT-07]."""
        if not any(state in AT_REST for state in self.desk.machines):
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
            return again and fixture.log.node_hears

        within = fixture.limit_ms("reconnect") + fixture.patience_ms
        if not fixture.bench.wait(back, within):
            raise Broken("LNK-10", f"a connection within {within:.0f} ms", "none")

    def _play_job(self, letter: Letter) -> None:
        fixture, sent = self.fixture, self._job
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
                self._serve()

                def holds(message: Message) -> bool:
                    return (
                        message.from_node
                        and message.name == "crane-status"
                        and message.body.get("load") == "box"
                    )

                fixture.wait_for(holds, fixture.patience_ms, sent.before)

    def _serve(self) -> None:
        """Play what a running job waits for, as its machine would: the load that is felt at grip and release."""
        sent = self._job
        if sent is None or sent.act != "transfer" or self.seen.job_state not in OPEN:
            return
        due = [cue for cue in self._cues if any(cue.wanted(m) for m in self.fixture.log.since(sent.before))]
        for cue in due:
            self._cues.remove(cue)
            mark = self.fixture.log.end
            self.fixture.stimulate(*cue.inputs)
            self.fixture.watch(DEBOUNCED_MS)
            self.seen = self._look()
            self._note_ids(mark)
        if due:
            drifted = [after for desk in self.belief for after, _ in self.derivation.drift(desk)]
            self.belief = tuple(dict.fromkeys(one for one in drifted if self.seen.fits(one))) or self.belief

    # ---- waiting for the effect

    def _await(self, letter: Letter, sent: SentOrder | None, possible: list[Candidate]) -> None:
        fixture = self.fixture
        if letter.kind == "sensors" and sent is not None:
            self._await_sensors(letter, sent, possible)
        elif sent is not None and any(one.outcome.begun for one in possible):
            report = fixture.report(sent)
            if report.body["state"] == "accepted":
                fixture.wait_for(lambda m: _starts(m, sent), LEAD_MS + fixture.patience_ms, sent.before)

    def _await_sensors(self, letter: Letter, sent: SentOrder, possible: list[Candidate]) -> None:
        fixture = self.fixture
        fixture.report(sent)
        if any(one.outcome.faults for one in possible):
            count = self.seen.faults
            fixture.wait_for(
                lambda m: m.from_node and m.name == "fault" and m.body.get("faults") != count,
                fixture.patience_ms,
                sent.before,
            )
        fixture.watch(fixture.stretched(sum(delay for _, _, delay in sent.body["inputs"]) + DEBOUNCED_MS))
        if letter.happens == "arming":
            self._cues = [Cue(lambda _message: True, (("end", True, 40), ("end", False, 40)))]

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
        if letter.name == "repeat-changed" and self._job is not None:
            acts.add(self._job.act)
        if sent.act == "hold":
            return Said((), None)
        found = [
            (str(m.body["state"]), str(m.body.get("reason", "")))
            for m in self.fixture.log.sent("job-report", sent.before)
            if m.body and m.body["act"] in acts and m.body.get("id") == sent.told_under
        ]
        return Said(tuple(found), sent.id)

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
