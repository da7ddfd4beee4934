"""Does to a node what steps say: finds the numbers for their relations, sends, and puts fences behind."""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable
from typing import Any

from conformance.fuzz.generate.motion import harmless
from conformance.fuzz.generate.mutations import mutated, unlike_schema
from conformance.fuzz.generate.steps import LEADS_MS, RELATIONS, Step
from conformance.fuzz.link import Link
from conformance.oracle.node_judge import NodeJudge
from conformance.oracle.site_limits import impossible
from conformance.suite.fixture import Fixture, Inputs, SentOrder
from conformance.suite.jobs import ARMING, PULSE, arriving, cues_for, homes
from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, next_count
from protocol.site import Encoding
from protocol.specification import FINAL, specification
from protocol.topics import Topic
from protocol.trouble import Trouble

SENT_KEPT = 64
FENCE_TRIES = 12
"""An ask may be lost with the link; it is said again this often, and the node has come back by then."""
PATIENCES = 10
SENDING = ("order", "bytes", "message", "again", "retained")


class Player:
    """Plays steps on a stand. With `motion` off nothing that could move a machine is sent."""

    def __init__(
        self, fixture: Fixture, judge: NodeJudge, link: Link, *, motion: bool, gap_ms: float
    ) -> None:
        """`gap_ms` lies between two orders at the least, floods excepted."""
        self.fixture, self.judge, self.link = fixture, judge, link
        self.motion, self.gap_ms = motion, gap_ms
        self.patience_ms = fixture.patience_ms
        self.sent: deque[tuple[str, bytes]] = deque(maxlen=SENT_KEPT)
        self._last_id = 0
        self._last_job: SentOrder | None = None
        self._before = -1
        self._does: dict[str, Callable[[Step], object]] = {
            "order": self._order,
            "bytes": self._bytes,
            "retained": self._retained,
            "message": self._message,
            "again": self._again,
            "sensors": self._sensors,
            "finish": self._finish,
            "wait": lambda step: self.link.pass_ms(step.fields["ms"]),
            "link": self._disturb,
            "calm": lambda step: self.calm(),
            "fence": lambda step: self.fence(),
        }

    def fresh(self) -> None:
        """The node was reset: ids and repeats begin again."""
        self._before = self.judge.known.boot
        self.sent.clear()
        self._last_id = 0
        self._last_job = None

    # ---- playing

    def play(self, step: Step) -> None:
        """Do a step; what the node says meanwhile is judged."""
        self._does[step.kind](step)
        if step.kind in SENDING and step.fields.get("flood"):
            self._flooded()
        elif step.kind in SENDING:
            self.link.pass_ms(self.gap_ms)
            self.link.until_carried()
        self._judge()

    def _flooded(self) -> None:
        """On a line a flood keeps what a node repeats from being said in time [SER-12]; on a network it does not."""
        if self.fixture.bench.line is not None:
            self.judge.overrun(self.fixture.bench.now_ms)

    def calm(self) -> None:
        """End what disturbs the link."""
        self.link.calm()
        self._judge()

    def fence(self) -> bool:
        """Ask until the answer is there. False, and a finding, where none comes."""
        tries = FENCE_TRIES if self.judge.silent_is_fine else 2
        # Where the first one only taught the oracle what is, a second one can be judged.
        if self._asked(tries) and (self.judge.known.sure or self._asked(tries)):
            return True
        if self.fixture.bench.tester_lost:
            raise Trouble(
                "the broker has closed the tester's own connection",
                fix="Look into its log; it has to take messages of 64 KB and topics of any name",
            )
        self.judge.tell_dead()
        return False

    def ask(self) -> int:
        """Publish an ask; gives its token."""
        token = self.fixture.new_token()
        self._publish(self._own_topic, encode("job-order", {"act": "ask", "token": token}, self._reads()))
        return token

    def _asked(self, tries: int) -> bool:
        return any(self._awaited(self.ask()) for _ in range(tries))

    def _awaited(self, token: int) -> bool:
        """Wait for an answer; while reports come the node is at work, and patience begins again.

        So it does where more than half of it was not the node's, for the test machine stood still or the line was at
        work.
        """
        bench = self.fixture.bench
        for _ in range(PATIENCES):
            reports, began_ms = self.judge.reports, bench.now_ms
            if bench.wait(lambda: self._fenced(token), self.patience_ms):
                return True
            held_up_ms = bench.held_up_ms(began_ms, bench.now_ms)
            if self.judge.reports == reports and held_up_ms <= self.patience_ms / 2:
                break
        return False

    def _fenced(self, token: int) -> bool:
        self._judge()
        return self.judge.fenced == token

    def _judge(self) -> None:
        self.judge.take(self.fixture.bench.now_ms)

    # ---- sending

    @property
    def _own_topic(self) -> str:
        return self.fixture.topic()

    def _reads(self, wanted: str = "") -> Encoding:
        reads = self.fixture.node.reads
        return Encoding(wanted or "cbor") if reads == "both" else Encoding(reads)

    def _publish(self, topic: str, payload: bytes) -> None:
        self.fixture.bench.publish(topic, payload)

    def _send(self, topic: str, payload: bytes) -> None:
        if self.motion or harmless(payload):
            self.sent.append((topic, payload))
            self._publish(topic, payload)

    def _order(self, step: Step) -> None:
        self._send(self._topic(step), self.payload(step))

    def _bytes(self, step: Step) -> None:
        self._send(self._topic(step), bytes.fromhex(step.fields["hex"]))

    def _retained(self, step: Step) -> None:
        payload = self.payload(step)
        if self.motion or harmless(payload):
            # Between two connections there is nobody to deliver it to.
            with contextlib.suppress(Trouble):
                self.fixture.bench.deliver_retained(self._topic(step), payload)

    def _message(self, step: Step) -> None:
        encoding = self._reads(str(step.fields["encoding"]))
        self._send(
            self._own_topic, unlike_schema(step.fields["message"], dict(step.fields["body"]), encoding)
        )

    def _disturb(self, step: Step) -> None:
        self._judge()
        self.judge.excuse(self.fixture.bench.now_ms + step.fields["ms"])
        self.link.disturb(step.fields["fault"], step.fields["ms"])

    def _again(self, step: Step) -> None:
        if len(self.sent) >= step.fields["back"]:
            self._publish(*self.sent[-step.fields["back"]])

    def _topic(self, step: Step) -> str:
        named = str(step.fields.get("topic", ""))
        if "/" in named:
            return named.replace("{own}", self._own_topic)
        return str(Topic(self.fixture.site.name, named or self.fixture.name, "job-order"))

    # ---- from relations to numbers

    def payload(self, step: Step) -> bytes:
        """The bytes of an order step, as the node is now."""
        fields = {name: value for name, value in step.fields.items() if name not in RELATIONS}
        body = self.body(str(step.fields["act"]), step, fields)
        encoding = self._reads(str(step.fields.get("encoding", "")))
        broken = step.fields.get("broken")
        if broken is not None:
            for name, value in dict(broken).items():
                if value is None:
                    body.pop(name, None)
                else:
                    body[name] = value
            return unlike_schema("job-order", body, encoding)
        payload = encode("job-order", body, encoding)
        mutation = step.fields.get("mutation")
        return mutated(payload, *mutation) if mutation else payload

    def body(self, act: str, step: Step, fields: dict[str, Any]) -> dict[str, Any]:
        """An order with its numbers."""
        allowed = specification().acts[act]["properties"]
        body: dict[str, Any] = {"act": act}
        if "boot" in allowed:
            body["boot"] = self._boot(str(step.fields.get("boot", "now")))
        if "id" in allowed:
            body["id"] = self._id(str(step.fields.get("id_", "next")))
            self._last_id = body["id"]
        if "deadline" in allowed:
            lead = LEADS_MS[str(step.fields.get("deadline", "soon"))]
            body["deadline"] = (self.judge.uptime_at(self.fixture.bench.now_ms) + lead) % UPTIME_MODULUS
        body |= {name: self._value(value) for name, value in fields.items()}
        if act in specification().jobs:
            self._last_job = SentOrder(body, self.fixture.log.end)
        return body

    def _boot(self, which: str) -> int:
        boot = max(0, self.judge.known.boot)
        if which == "before" and self._before >= 0:
            return self._before
        return boot if which == "now" else (boot + 1) % 65536

    def _id(self, which: str) -> int:
        known = self.judge.known
        choices = {
            "last-job": known.job or known.mark,
            "last-sent": self._last_id or known.mark,
            "mark": known.mark,
            "below-mark": known.mark - 1,
            "jump": max(known.mark, self._last_id) + 70_000,
        }
        return min(2**32 - 1, max(1, choices.get(which, max(known.mark, self._last_id) + 1)))

    def _value(self, value: Any) -> Any:
        if not (isinstance(value, str) and value.startswith("$")):
            return value
        known = self.judge.known
        return {
            "$holds": known.holds,
            "$holds+1": next_count(known.holds),
            "$faults": self.judge.faults,
            "$faults+1": next_count(self.judge.faults),
            "$last-job": self._id("last-job"),
            "$last-sent": self._id("last-sent"),
            "$unseen": min(2**32 - 1, max(known.mark, self._last_id) + 2),
        }[value]

    # ---- the tester's sensors

    def _sensors(self, step: Step) -> None:
        """What the sensors say in a job that goes well: every input that the open job may wait for."""
        inputs = self._inputs(int(step.fields.get("pick", 0)))
        if inputs and self.fixture.on_bench:
            self._stimulate(inputs)

    def _finish(self, step: Step) -> None:
        """Play the sensors of the last job until it ends or its time is over."""
        job, bench = self._last_job, self.fixture.bench
        if job is None or not self.motion or impossible(self.fixture.node, job.body):
            return
        cues = list(cues_for(self.fixture, job)) if self.fixture.on_bench else []
        end_ms, seen = bench.now_ms + step.fields["ms"], job.before
        while bench.now_ms < end_ms:
            message = self.fixture.wait_for(
                lambda m: m.is_report(job.act, order=job.id), end_ms - bench.now_ms, seen
            )
            if message is None or message.body["state"] in FINAL:
                return
            seen = message.number
            for cue in [cue for cue in cues if cue.wanted(message)]:
                cues.remove(cue)
                self._stimulate(cue.inputs)

    def _stimulate(self, inputs: Inputs) -> None:
        order = Step("order", "", {"act": "stimulus", "inputs": [list(one) for one in inputs]})
        self._send(self._own_topic, self.payload(order))

    def _inputs(self, pick: int) -> Inputs:
        node = self.fixture.node
        if node.crane:
            mode = self.judge.states.get("crane-status", {}).get("mode")
            return (
                (*homes(self.fixture.node, True), *homes(self.fixture.node, False))
                if mode == "homing"
                else ()
            )
        if node.berth:
            state = self.judge.states.get("train-arrival", {}).get("state")
            return (*ARMING, *PULSE) if state in ("admitting", "armed") else PULSE
        if node.shuttle:
            place = self.judge.states.get("shuttle-status", {}).get("place")
            others = [stop for stop in node.shuttle.stops if stop != place]
            return arriving(self.fixture.node, others[pick % len(others)])
        return ()
