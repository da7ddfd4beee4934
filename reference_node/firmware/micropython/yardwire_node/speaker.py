"""What a node says: state messages, whole and in their envelope, and reports."""

from . import cbor, strict_json
from .tables import FAULT_LEVELS, MINOR, REPEAT_MS, SAID, STATE_OF_ROLE, STATUS_REPEAT_MS
from .uptime import WRAP

EARLY_MS, PROGRESS_MS = 100, 500  # heartbeats go out early; who moves says more often where it is


def encode(message: str, body: dict, is_json: bool) -> bytes:
    """The payload of a message: fields in the order of their keys, words as words or as numbers."""
    fields = [(name, key, words) for name, key, words in SAID[message] if name in body]
    if is_json:
        return (
            "{" + ",".join(['"' + name + '":' + strict_json.write(body[name]) for name, _, _ in fields]) + "}"
        ).encode()
    out = bytearray()
    cbor.put_head(out, cbor.MAP, len(fields))
    for name, key, words in fields:
        cbor.put(out, key)
        cbor.put(out, body[name] if words is None else _numbers(body[name], words))
    return bytes(out)


def _numbers(value, words: tuple):
    return words.index(value) if isinstance(value, str) else [words.index(word) for word in value]


class Speaker:
    """Counts the messages of each topic, and knows which state has changed and was not told yet.

    `send(message, payload)` is given by the link; it says whether the message went out.
    """

    def __init__(self, node) -> None:
        self._node = node
        self._states = ("node-status", STATE_OF_ROLE[node.role_name], "fault")
        self._seq: dict = {}
        self._said_ms: dict = {}
        self._untold: list = []
        self.link = 0
        self.online = False
        self.send = _nowhere
        self.is_busy = _never

    def changed(self, message: str) -> None:
        """Something that a message carries has changed: it is told before anything else happens [MSG-01]."""
        if message not in self._untold:
            self._untold.append(message)

    def role_changed(self) -> None:
        """The same for the state of the role."""
        self.changed(self._states[1])

    def tell_changes(self) -> None:
        """Say each state that has changed."""
        for message in self._states:
            if message in self._untold:
                self.say(message)

    def tell_all(self) -> None:
        """Say all state, node-status first [LNK-08]."""
        for message in self._states:
            self.say(message)

    def say(self, message: str, report: dict | None = None) -> None:
        """Publish one message in its envelope; what was not sent is not counted [MSG-07]."""
        node = self._node
        if message in self._untold:
            self._untold.remove(message)
        if report is None:
            self._said_ms[message] = node.now_ms
        if not self.online:
            return
        seq = self._seq.get(message, 0)
        body = {"boot": node.boot, "seq": seq, "uptime": node.uptime()}
        if message != "fault":
            body["mark"] = node.mark
        body.update(self._body(message) if report is None else report)
        if self.send(message, encode(message, body, node.site["writes"] == "json")):
            self._seq[message] = (seq + 1) & 0xFFFF

    def off(self, link: int) -> bytes:
        """The payload of the will or of the parting word [LNK-04, LNK-16]."""
        body = {"boot": self._node.boot, "state": "off", "link": link & 0xFFFF}
        return encode("node-status", body, self._node.site["writes"] == "json")

    def beat(self) -> None:
        """Repeat what was not said for long [MSG-02, MSG-03], unless something waits for the line [SER-12]."""
        if self.online and self.is_busy():
            return
        for message in self._states:
            gap_ms = STATUS_REPEAT_MS if message == "node-status" else REPEAT_MS
            if message == self._states[1] and self._node.role.is_moving():
                gap_ms = PROGRESS_MS + EARLY_MS
            if self._node.now_ms - self._said_ms.get(message, -gap_ms) >= gap_ms - EARLY_MS:
                self.say(message)

    def _body(self, message: str) -> dict:
        if message == "node-status":
            return self._status()
        return self._fault() if message == "fault" else self._role()

    def _status(self) -> dict:
        node, site = self._node, self._node.site
        body = {
            "state": "on", "link": self.link, "roles": (node.role_name,), "firmware": site["firmware"], "minor": MINOR,
            "reads": site["reads"], "reset": node.reset, "bench": node.bench, "digest": site["digest"],
            "buffer": site["buffer"],
        }  # fmt: skip
        if node.bench:
            body["starts"] = node.starts & 0xFFFF
        memory = node.board.memory()
        if memory is not None:
            body["memory"] = memory
        return body

    def _role(self) -> dict:
        """What the state of every role says, and the rest of it."""
        node = self._node
        body = {"held": node.held, "holds": node.holds, "inputs": node.inputs.bits()}
        if node.job is not None:
            body["job"] = node.job.id
            body["job_state"] = node.job.state
        body.update(node.role.body())
        return body

    def _fault(self) -> dict:
        faults = self._node.faults
        body = {"active": faults.active(), "faults": faults.count}
        if faults.job:
            body["job"] = faults.job
        if faults.changed:
            body["changed"] = faults.changed
            body["level"] = FAULT_LEVELS[faults.changed]
            if faults.part:
                body["part"] = faults.part
        return body


def _nowhere(message: str, payload: bytes) -> bool:
    """No link yet."""
    return False


def _never() -> bool:
    return False


def uptime_of(now_ms: int, ahead_ms: int) -> int:
    """Milliseconds since the start, and what a tester has set them ahead, in 32 bits [MSG-08]."""
    return (now_ms + ahead_ms) % WRAP
