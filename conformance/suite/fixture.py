"""The fixture of a case: what a case can do to a node, see of it and demand of it.

Every wait ends with an event or a fence, never with a mere pause. A fence is an `ask`: its report says that
everything sent before has been handled [ORD-02, ORD-03].
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from random import Random
from typing import Any

from conformance.oracle.link_log import Message, Trace
from conformance.suite.bench import Bench
from conformance.suite.exchange import Answer, SentOrder
from conformance.suite.stalls import SLACK, StoodStill
from conformance.suite.verdict import Broken, IdsUsedUp, NoOccasion, Unclear
from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, claim_id, uptime_difference
from protocol.site import Encoding, Site
from protocol.specification import STATE_MESSAGES, Specification, specification
from protocol.topics import Topic
from protocol.validation import read_message

PATIENCE = 10
"""An answer is waited for this many times its limit, so that one which comes late is told from none."""
LEAD_MS = 10_000
FREE_ORDERS = 250
Inputs = Sequence[tuple[str, bool, int]]


class Fixture:
    """One node under test on one bench. What is tried is chosen by `rng`, so a run repeats from its seed.

    Tokens and claims are not: on a real bus no two runs may have the same.
    """

    def __init__(self, bench: Bench, site: Site, name: str, rng: Random, slow: float = 1.0) -> None:
        """`slow` stretches every limit in time: 1 judges by the specification."""
        self.bench, self.site, self.node, self.rng, self.slow = bench, site, site.nodes[name], rng, slow
        self._chance = bench.chance or rng
        self.spec = specification()
        self.log = bench.log
        self.warnings: list[Broken] = []
        self.judged: Counter[str] = Counter()
        """How often the case at hand has judged each requirement: one that never did shows nothing."""
        self.can_repeat = True
        """Whether the case at hand can be judged again: not one that is judged from all that was seen."""
        self.left_open = 0
        """How many limits in time a case that cannot be judged again has left open, which seemed broken."""
        self.again_from_ms = 0.0
        """What was left open before that instant has been looked for again since."""
        self.gave_up_ms: tuple[float, float] | None = None
        """From when to when the last message was waited for that did not come; None where it came."""
        self.broken: Broken | None = None
        """What the case at hand, still at work on it, has found broken: a run that is stopped then tells it."""
        self._claimed: tuple[int, int, int] | None = None
        """Boot, claim and the id last used."""

    # ---- what the node is

    @property
    def name(self) -> str:
        """The node's name."""
        return self.node.name

    @property
    def on_bench(self) -> bool:
        """Whether the node says that its sensors come from a tester [BEN-01]."""
        status = self.log.latest("node-status")
        return bool(status and status.body.get("bench"))

    @property
    def minor(self) -> int:
        """The minor version that the node says. Ours until it has said one: silence excuses from nothing."""
        return self.spec.minor if self.log.minor is None else self.log.minor

    @property
    def asked(self) -> Specification:
        """The specification as it binds a node of that minor version: of a newer one, ours."""
        return self.spec.at(self.log.minor)

    @property
    def state_topics(self) -> tuple[str, ...]:
        """The state messages that a node with these roles sends."""
        topics = self.spec.topics
        return tuple(name for name in STATE_MESSAGES if set(topics[name].roles) & set(self.node.roles))

    def limit_ms(self, name: str) -> float:
        """The upper bound of a time of the specification, stretched for slow boards."""
        return self.stretched(self.spec.most_ms(name))

    def repeat_ms(self, name: str) -> float:
        """The longest gap between two messages of a topic, with the tolerance that is written for it."""
        share = (self.spec.timing["repeat_tolerance"].value or 0) / 100
        return self.limit_ms(name) * (1 + share)

    def stretched(self, ms: float) -> float:
        """A time of the site file or of a case, stretched for slow boards."""
        return ms * self.slow

    # ---- judging

    def check(
        self, holds: bool, requirement: str, expected: str, seen: object, at: Message | Trace | None = None
    ) -> None:
        """Demand something. A broken MUST ends the case with Broken; a broken SHOULD is kept as a warning.

        What came after the minor version that the node says is not demanded.
        """
        if requirement not in self.asked.requirements:
            return
        self.judged[requirement] += 1
        if holds:
            return
        broken = Broken(requirement, expected, str(seen), at.number if at else None)
        if self.spec.requirements[requirement].level == "MUST":
            raise broken
        self.warnings.append(broken)

    def in_time(
        self, fits: bool, span_ms: tuple[float, float], requirement: str, expected: str, seen: object,
        at: Message | Trace | None = None,
    ) -> None:  # fmt: skip
        """Demand that a limit in time is kept between two instants; breaks as `check` does.

        Where the test machine stood still meanwhile, what seems broken is neither kept nor broken: that raises
        StoodStill where the case can be judged again, and else is left open and looked for again. What seems kept is
        so too, unless it stood still at one of the two instants, for more than SLACK of the time: only that can have
        made it shorter than it was, or longer where a limit says 'not before'.
        """
        stalls = self.bench.stalls
        still_ms = stalls.at(*span_ms) if fits else stalls.within(*span_ms)
        if still_ms <= (SLACK * (span_ms[1] - span_ms[0]) if fits else 0):
            self.check(fits, requirement, expected, seen, at)
        elif self.can_repeat:
            span = f"{span_ms[1] - span_ms[0]:.0f} ms"
            raise StoodStill(f"the test machine stood still for {still_ms:.0f} ms of {span}")
        elif not fits and span_ms[1] >= self.again_from_ms:
            self.left_open += 1

    def equal(
        self, seen: object, expected: object, requirement: str, told: str, at: Message | Trace | None = None
    ) -> None:
        """Demand that what was seen is what is expected, which `told` says in words; breaks as `check` does."""
        self.check(seen == expected, requirement, told, seen, at)

    def none(
        self, found: Iterable[Message], requirement: str, expected: str, seen: Callable[[Message], object]
    ) -> None:
        """Demand that nothing was found where it was looked for: one judgement, whatever was heard meanwhile."""
        first = next(iter(found), None)
        self.check(first is None, requirement, expected, "" if first is None else seen(first), first)

    def need(self, holds: bool, why: str) -> None:
        """Demand what the case itself needs: without it nothing can be said. Raises Unclear."""
        if not holds:
            raise Unclear(why)

    def occasion(self, holds: bool, why: str) -> None:
        """Demand that there was something to judge, where a tester cannot bring it about. Raises NoOccasion."""
        if not holds:
            raise NoOccasion(why)

    def read(self, name: str, payload: bytes) -> dict[str, Any]:
        """A payload as a sender's message; empty where it cannot be read."""
        return read_message(name, payload, closed=True).body or {}

    # ---- waiting

    def wait_for(
        self, wanted: Callable[[Message], bool], within_ms: float, after: int | None = None
    ) -> Message | None:
        """The first message after trace `after` (now, if left out) that is as wanted, or None in time."""
        since = self.log.end if after is None else after

        found: Message | None = None

        def come() -> bool:
            nonlocal found
            found = next(filter(wanted, self.log.since(since)), None)
            return found is not None

        began_ms = self.bench.now_ms
        if not self.bench.wait(come, within_ms):
            come()
        self.gave_up_ms = (began_ms, self.bench.now_ms) if found is None else None
        return found

    def watch(self, ms: float) -> int:
        """Let time pass and send nothing; gives the trace number before it."""
        before = self.log.end
        self.bench.wait(lambda: False, ms)
        return before

    # ---- sending

    @property
    def encoding(self) -> Encoding:
        """An encoding that the node reads: chosen at random for a node that reads both."""
        if self.node.reads == "both":
            return self.rng.choice((Encoding.JSON, Encoding.CBOR))
        return Encoding(self.node.reads)

    def topic(self, node: str = "") -> str:
        """The job-order topic of the node, or of another."""
        return str(Topic(self.site.name, node or self.name, "job-order"))

    def send_raw(self, payload: bytes, *, topic: str = "") -> int:
        """Publish any bytes as an order; gives the trace number before."""
        before = self.log.end
        self.bench.publish(topic or self.topic(), payload)
        return before

    def encoded(self, body: Mapping[str, Any], encoding: Encoding | None = None) -> bytes:
        """The bytes of an order."""
        return encode("job-order", body, encoding or self.encoding)

    def send(self, body: Mapping[str, Any], *, topic: str = "") -> SentOrder:
        """Publish an order as it is given."""
        return SentOrder(body, self.send_raw(self.encoded(body), topic=topic))

    def compose(self, act: str, **fields: Any) -> dict[str, Any]:
        """An order of our own for this boot with a fresh id and, for a job, a deadline in time.

        Words that are Python's own take a '_' behind them: `from_="stack-n"`. None leaves a field out.
        """
        body: dict[str, Any] = {"act": act}
        allowed = self.spec.acts[act]["properties"]
        if "boot" in allowed:
            body["boot"] = self.boot
        if "id" in allowed:
            body["id"] = fields.pop("id", None) or self.fresh_id()
        if "deadline" in allowed:
            body["deadline"] = self.uptime_in(LEAD_MS)
        body |= {key.removesuffix("_"): value for key, value in fields.items()}
        return {key: value for key, value in body.items() if value is not None}

    def order(self, act: str, **fields: Any) -> SentOrder:
        """Compose and publish an order."""
        return self.send(self.compose(act, **fields))

    # ---- who may order

    @property
    def boot(self) -> int:
        """The boot in the node's newest message."""
        newest = next((m for m in reversed(self.log.messages) if m.from_node and "boot" in m.body), None)
        self.need(newest is not None, "the node has said nothing yet")
        return int(newest.body["boot"]) if newest else 0

    @property
    def mark(self) -> int:
        """The mark in the node's newest message that carries one."""
        newest = next((m for m in reversed(self.log.messages) if m.from_node and "mark" in m.body), None)
        return int(newest.body["mark"]) if newest else 0

    def fresh_id(self) -> int:
        """The next id of our claim, after a new claim where the old one is used up or of another boot."""
        boot, claim, last = self._claimed or (-1, 0, 0)
        if boot != self.boot or last < self.mark or last - claim >= FREE_ORDERS:
            self.claim()
            boot, claim, last = self._claimed or (self.boot, 0, 0)
        self._claimed = boot, claim, last + 1
        return last + 1

    def used(self, id_: int) -> None:
        """An id of ours was used elsewhere, in an order that was not composed here: the next one lies above it."""
        self._claimed = self.boot, id_, id_

    def other_boot(self) -> int:
        """A boot that is not the node's."""
        return (self.boot + self.rng.randrange(1, 65536)) % 65536

    def new_token(self) -> int:
        """A token for an ask: never the same again [SUP-06]."""
        return self._chance.getrandbits(32)

    def new_claim(self, mark: int) -> int:
        """The id of a claim above `mark`, unlike anybody else's. Raises IdsUsedUp where none is left."""
        try:
            return claim_id(mark, self._chance.getrandbits(12))
        except OverflowError as error:
            raise IdsUsedUp(str(error)) from None

    def claim(self) -> Message:
        """Claim the node as a supervisor does. Raises Unclear where it does not answer as owned."""
        mark = self.ask().mark
        claim = self.new_claim(mark)
        sent = self.send({"act": "claim", "boot": self.boot, "id": claim})
        report = self.report(sent)
        self.need(report.body["state"] == "done", f"the claim was answered {report.body['state']!r}")
        self._claimed = self.boot, claim, claim
        return report

    # ---- answers

    @property
    def patience_ms(self) -> float:
        """How long an answer is waited for; on a serial line also until a second's orders have been carried."""
        line, orders = self.bench.line, self.spec.timing["order_rate"].most or 0
        return PATIENCE * self.limit_ms("answer") + (0 if line is None else orders * line.exchange_ms)

    def until_it_hears(self, node: str = "") -> None:
        """Wait until orders to the node, or to all, reach it: a SUBSCRIBE may still be on its way."""
        topic = self.topic(node)
        self.bench.wait(lambda: self.log.hears(topic), self.patience_ms)

    def ask(self) -> Answer:
        """Ask and wait for the report with our token: a fence, and all that the node knows."""
        token = self.new_token()
        self.until_it_hears()
        before = self.send_raw(self.encoded({"act": "ask", "token": token}))
        report = self.wait_for(lambda m: m.is_report("ask", token=token), self.patience_ms, before)
        if report is None:
            other = next(
                (m for m in self.log.sent("job-report", before) if m.body.get("token") == token), None
            )
            raise Broken(
                "ORD-03" if other is None else "ORD-14",
                f"a job-report for 'ask' with token {token} within {self.limit_ms('answer'):.0f} ms",
                f"none within {self.patience_ms:.0f} ms"
                + (f", but one for {other.body.get('act', 'no act')!r} with that token" if other else ""),
                None if other is None else other.number,
            )
        self.judged["ORD-03"] += 1
        arrived = next((m.number for m in self.log.since(before) if _asks(m, token)), before)
        states = {
            m.name: m
            for m in self.log.since(arrived)
            if m.from_node and m.number < report.number and m.name in STATE_MESSAGES
        }
        return Answer(report, states)

    def report(self, sent: SentOrder) -> Message:
        """The first report for an order. Raises Broken where none comes."""
        under = sent.told_under
        found = self.wait_for(lambda m: m.is_report(sent.act, order=under), self.patience_ms, sent.before)
        if found is None:
            other = self.log.misdirected(sent.body, sent.before)
            raise Broken(
                "ORD-14" if other else "ORD-01",
                f"a job-report for {sent.act!r} {under} within {self.limit_ms('answer'):.0f} ms",
                f"none in {self.patience_ms:.0f} ms{other}",
            )
        self.judged["ORD-01"] += 1
        return found

    def answer_to(self, act: str, **fields: Any) -> Message:
        """Order and give the first report."""
        return self.report(self.order(act, **fields))

    def refused(self, sent: SentOrder, reason: str, requirement: str, *, mark: int | None = None) -> Message:
        """Demand that an order is refused with `reason` and, with `mark`, that this is the mark then."""
        report = self.report(sent)
        said = f"state {report.body['state']!r}, reason {report.body.get('reason', '')!r}"
        expected = f"state 'refused', reason {reason!r}"
        wanted = ("refused", reason)
        told_late = report.body.get("reason") == "late" != reason and "deadline" in sent.body
        if told_late and requirement not in ("ORD-11", "ORD-13"):  # These say themselves what 'late' is.
            left = uptime_difference(sent.body["deadline"], report.body["uptime"])
            self.check(left <= 0, "ORD-10", f"{reason!r}, {left} ms before the deadline", said, report)
        self.check(
            (report.body["state"], report.body.get("reason")) == wanted, requirement, expected, said, report
        )
        if mark is not None:
            seen = report.body["mark"]
            self.check(seen == mark, "ORD-08", f"mark {mark} in the report", f"mark {seen}", report)
        return report

    def unmoved(self, before: Answer, requirement: str) -> Answer:
        """Demand, behind a fence, that no motor was switched on and no job came or went since `before`."""
        after = self.ask()
        told = bool(before.role_state) and bool(after.role_state)
        self.need(told, "an answer of the node does not tell its job: it lacks the state of its role")
        if before.starts is not None and after.starts is not None:
            self.check(
                after.starts == before.starts,
                requirement,
                f"no motor switched on ('starts' stays {before.starts})",
                f"'starts' is {after.starts}",
                after.report,
            )
        self.equal(
            after.job, before.job, requirement, f"job and job state as before: {before.job}", after.report
        )
        return after

    # ---- time of the node

    def uptime_in(self, ms: float) -> int:
        """The node's uptime `ms` from now, by its newest message."""
        newest = next((m for m in reversed(self.log.messages) if m.from_node and "uptime" in m.body), None)
        self.need(newest is not None, "the node has not told its uptime")
        assert newest is not None
        return int(newest.body["uptime"] + self.bench.now_ms - newest.at_ms + ms) % UPTIME_MODULUS

    def stimulate(self, *inputs: tuple[str, bool, int]) -> Message:
        """Play sensor inputs (sensor, level, delay in ms after the one before) on a bench node [BEN-02]."""
        report = self.answer_to("stimulus", inputs=[list(one) for one in inputs])
        self.need(
            report.body["state"] == "done",
            f"the node answered a stimulus {report.body['state']!r} {report.body.get('reason', '')!r}",
        )
        return report


def _asks(message: Message, token: int) -> bool:
    return not message.from_node and message.name == "job-order" and message.body.get("token") == token
