"""The fixture of a case: what a case can do to a node and see of it; what it demands stands in `demands`.

Every wait ends with an event or a fence, never with a mere pause. A fence is an `ask`: its report says that
everything sent before has been handled [ORD-02, ORD-03].
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.bench import Bench
from conformance.suite.demands import Demands
from conformance.suite.exchange import Answer, SentOrder
from conformance.suite.verdict import Broken, IdsUsedUp
from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, claim_id, uptime_difference
from protocol.site import Encoding, Site
from protocol.specification import STATE_MESSAGES
from protocol.topics import Topic

PATIENCE = 10
"""An answer is waited for this many times its limit, so that one which comes late is told from none."""
LEAD_MS = 10_000
FREE_ORDERS = 250
Inputs = Sequence[tuple[str, bool, int]]


class Fixture(Demands):
    """One node under test on one bench. What is tried is chosen by `rng`, so a run repeats from its seed.

    Tokens and claims are not: on a real bus no two runs may have the same.
    """

    def __init__(self, bench: Bench, site: Site, name: str, rng: Random, slow: float = 1.0) -> None:
        """`slow` stretches every limit in time: 1 judges by the specification."""
        super().__init__(bench, slow)
        self.site, self.node, self.rng = site, site.nodes[name], rng
        self._chance = bench.chance or rng
        self._claimed: tuple[int, int, int] | None = None
        """Boot, claim and the id last used."""
        self._played_until_ms = 0.0
        """When the last sensor input that was sent has been played, by the bench's clock."""

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
    def state_topics(self) -> tuple[str, ...]:
        """The state messages that a node with these roles sends."""
        return self.spec.states_of(self.node.roles)

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

    def play_out(self) -> None:
        """Wait until the sensor inputs that were sent have all been played: what comes later is not mixed with them."""
        self.watch(max(0.0, self._played_until_ms - self.bench.now_ms))

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
            after.job,
            before.job,
            requirement,
            f"job and job state as before: {in_words(before.job)}",
            after.report,
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
        self._played_until_ms = self.bench.now_ms + sum(delay for _, _, delay in inputs)
        self.need(
            report.body["state"] == "done",
            f"the node answered a stimulus {report.body['state']!r} {report.body.get('reason', '')!r}",
        )
        return report


def _asks(message: Message, token: int) -> bool:
    return not message.from_node and message.name == "job-order" and message.body.get("token") == token
