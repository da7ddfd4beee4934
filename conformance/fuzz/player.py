"""Does to a node what steps say: finds the numbers for their relations, sends, and puts fences behind."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from conformance.fuzz.link import Link
from conformance.fuzz.mutations import mutated, unlike_schema
from conformance.fuzz.referee import Referee
from conformance.fuzz.steps import Step
from conformance.handling import ARMING, PULSE, arriving, homes
from conformance.stand import Inputs, Stand
from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, next_count
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import Topic
from protocol.validation import read_message

SENT_KEPT = 64
FENCE_TRIES = 12
"""An ask may be lost with the link; it is said again this often, and the node has come back by then."""
LEADS_MS = {"soon": 10_000, "lead": 30_000, "past": -3000, "long-past": -(2**30)}


class Player:
    """Plays steps on a stand. With `motion` off nothing that could move a machine is sent."""

    def __init__(self, stand: Stand, referee: Referee, link: Link, *, motion: bool, gap_ms: float) -> None:
        """`gap_ms` lies between two orders at the least, floods excepted."""
        self.stand, self.referee, self.link = stand, referee, link
        self.motion, self.gap_ms = motion, gap_ms
        self.sent: deque[tuple[str, bytes]] = deque(maxlen=SENT_KEPT)
        self.played: list[tuple[float, str, bytes]] = []
        """What was published since `fresh`, with the instant."""
        self._last_id = 0
        self._before = -1
        self._does: dict[str, Callable[[Step], None]] = {
            "order": self._order,
            "bytes": self._bytes,
            "retained": self._retained,
            "again": self._again,
            "sensors": self._sensors,
            "wait": lambda step: self.link.pass_ms(step.fields["ms"]),
            "cut": lambda step: self.link.cut(),
            "mute": lambda step: self.link.mute(step.fields["ms"]),
            "deaf": lambda step: self.link.deaf(step.fields["ms"]),
            "slow": lambda step: self.link.slow(step.fields["ms"], step.fields["delay_ms"]),
        }

    def fresh(self) -> None:
        """The node was reset: ids and repeats begin again."""
        self._before = self.referee.known.boot
        self.sent.clear()
        self.played.clear()
        self._last_id = 0

    # ---- playing

    def play(self, steps: Sequence[Step]) -> None:
        """Do the steps in their order; what the node says meanwhile is judged."""
        for step in steps:
            if step.link:
                self.referee.take(self.stand.bench.now_ms)
                self.referee.excuse(self.stand.bench.now_ms + step.fields.get("ms", 0))
            self._does[step.kind](step)
            if step.kind in ("order", "bytes", "again", "retained"):
                self.link.pass_ms(0 if step.fields.get("flood") else self.gap_ms)
            self._judge()

    def fence(self) -> bool:
        """Ask until the answer is there. False, and a finding, where none comes."""
        tries = FENCE_TRIES if self.referee.silent_is_fine else 2
        if not self._asked(tries):
            self.referee.tell("ORD-03", "the node does not answer an ask any more")
            return False
        if not self.referee.known.sure and not self._asked(tries):
            # Orders were behind the first one, or it only taught the referee what is.
            self.referee.tell("ORD-03", "the node does not answer an ask any more")
            return False
        return True

    def _asked(self, tries: int) -> bool:
        for _ in range(tries):
            token = self.stand.rng.getrandbits(32)
            self._publish(self._own_topic, encode("job-order", {"act": "ask", "token": token}, self._reads()))
            if self.stand.bench.wait(lambda t=token: self._fenced(t), self.stand.patience_ms):  # type: ignore[misc]
                return True
        return False

    def _fenced(self, token: int) -> bool:
        self._judge()
        return self.referee.fenced == token

    def _judge(self) -> None:
        self.referee.take(self.stand.bench.now_ms)

    # ---- sending

    @property
    def _own_topic(self) -> str:
        return self.stand.topic()

    def _reads(self, wanted: str = "") -> Encoding:
        reads = self.stand.node.reads
        return Encoding(wanted or "cbor") if reads == "both" else Encoding(reads)

    def _publish(self, topic: str, payload: bytes) -> None:
        self.played.append((self.stand.bench.now_ms, topic, payload))
        self.stand.bench.publish(topic, payload)

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
            self.stand.bench.deliver_retained(self._topic(step), payload)

    def _again(self, step: Step) -> None:
        if len(self.sent) >= step.fields["back"]:
            self._publish(*self.sent[-step.fields["back"]])

    def _topic(self, step: Step) -> str:
        named = str(step.fields.get("topic", ""))
        if "/" in named:
            return named.replace("{own}", self._own_topic)
        return str(Topic(self.stand.site.name, named or self.stand.name, "job-order"))

    # ---- from relations to numbers

    def payload(self, step: Step) -> bytes:
        """The bytes of an order step, as the node is now."""
        fields = {name: value for name, value in step.fields.items() if name not in _RELATIONS}
        body = self.body(str(step.fields["act"]), step, fields)
        encoding = self._reads(str(step.fields.get("encoding", "")))
        broken = step.fields.get("broken")
        if broken is not None:
            for name, value in dict(broken).items():
                if value is None:
                    body.pop(name, None)
                else:
                    body[name] = value
            return unlike_schema(body, encoding)
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
            known = self.referee.known
            body["deadline"] = (known.uptime_at(self.stand.bench.now_ms) + lead) % UPTIME_MODULUS
        return body | {name: self._value(value) for name, value in fields.items()}

    def _boot(self, which: str) -> int:
        boot = max(0, self.referee.known.boot)
        if which == "before" and self._before >= 0:
            return self._before
        return boot if which == "now" else (boot + 1) % 65536

    def _id(self, which: str) -> int:
        known = self.referee.known
        choices = {
            "last-job": known.job or max(known.taken, default=known.mark),
            "last-sent": self._last_id or known.mark,
            "mark": known.mark,
            "below-mark": known.mark - 1,
            "jump": max(known.mark, self._last_id) + 70_000,
        }
        return min(2**32 - 1, max(1, choices.get(which, max(known.mark, self._last_id) + 1)))

    def _value(self, value: Any) -> Any:
        if not (isinstance(value, str) and value.startswith("$")):
            return value
        known = self.referee.known
        return {
            "$holds": known.holds,
            "$holds+1": next_count(known.holds),
            "$faults": self.referee.faults,
            "$faults+1": next_count(self.referee.faults),
            "$last-job": self._id("last-job"),
            "$last-sent": self._id("last-sent"),
            "$unseen": min(2**32 - 1, max(known.mark, self._last_id) + 2),
        }[value]

    # ---- the tester's sensors

    def _sensors(self, step: Step) -> None:
        """What the sensors say in a job that goes well: every input that the open job may wait for."""
        inputs = self._inputs(int(step.fields.get("pick", 0)))
        if inputs and self.stand.on_bench:
            order = Step("order", "", {"act": "stimulus", "inputs": [list(one) for one in inputs]})
            self._send(self._own_topic, self.payload(order))

    def _inputs(self, pick: int) -> Inputs:
        node = self.stand.node
        if node.crane:
            mode = self.referee.states.get("crane-status", {}).get("mode")
            return (*homes(self.stand, True), *homes(self.stand, False)) if mode == "homing" else ()
        if node.berth:
            state = self.referee.states.get("train-arrival", {}).get("state")
            return (*ARMING, *PULSE) if state in ("admitting", "armed") else PULSE
        if node.shuttle:
            place = self.referee.states.get("shuttle-status", {}).get("place")
            others = [stop for stop in node.shuttle.stops if stop != place]
            return arriving(self.stand, others[pick % len(others)])
        return ()


_RELATIONS = frozenset({"act", "id_", "boot", "deadline", "topic", "encoding", "mutation", "broken", "flood"})


def harmless(payload: bytes) -> bool:
    """Whether an order, read as tolerantly as a node may, can move nothing.

    What cannot be read is harmless only if it is none of a moving act with a flaw, which a careless node
    would obey: it is let through where no moving act is named in it.
    """
    body = read_message("job-order", payload, closed=False).body
    if body is None:
        return not _names_a_moving_act(payload)
    return body["act"] not in moving_acts()


def moving_acts() -> frozenset[str]:
    """Acts after which something may move."""
    return specification().jobs | {"resume"}


def _names_a_moving_act(payload: bytes) -> bool:
    words = specification().words("act")
    if any(f'"{act}"'.encode() in payload for act in moving_acts()):
        return True
    return any(bytes([2, words.index(act)]) in payload for act in moving_acts())
