"""A node on a serial line, for boards without a network: when the bus is there for it, and what it says of that."""

from . import cbor
from .frames import FrameReader, frame_of
from .order import read_order
from .tables import LINE_BEAT_MS, LINE_KEYS, LINE_KINDS, LINE_SILENCE_MS, LINE_STATE

EARLY_MS = 200
ORDERS = (LINE_KINDS["job-order"], LINE_KINDS["job-order-to-all"])


class Line:
    """The line of one node. `put(bytes)` is the board's, and gives whether they went out; on a line all is CBOR."""

    def __init__(self, node, put) -> None:
        if node.site["reads"] == "json" or node.site["writes"] != "cbor":
            raise ValueError(
                'a serial line carries CBOR: say reads = "cbor" and writes = "cbor" in the site file'
            )
        self._node, self._put = node, put
        self._reader = FrameReader()
        self._heard_ms = self._beat_ms = node.now_ms - LINE_BEAT_MS
        node.speaker.send = self._send

    def take(self, content: bytes) -> None:
        """What came on the line, in pieces of any size."""
        for byte in content:
            frame = self._reader.take(byte)
            if frame is not None:
                self._frame(frame[0], frame[1])

    def tick(self) -> None:
        """In place of the node's own."""
        self._node.tick()
        now_ms = self._node.now_ms
        if self._node.speaker.online and now_ms - self._heard_ms >= LINE_SILENCE_MS:
            self._node.disconnected()
            self._here()
        elif now_ms - self._beat_ms >= LINE_BEAT_MS - EARLY_MS:
            self._here()

    def _send(self, message: str, payload: bytes) -> bool:
        return self._put(frame_of(LINE_KINDS[message], payload))

    def _here(self) -> None:
        """Which connection the node has, or wants [SER-05]."""
        node, speaker = self._node, self._node.speaker
        state, link = ("on", speaker.link) if speaker.online else ("off", speaker.link + 1 & 0xFFFF)
        fields = [("boot", node.boot), ("state", LINE_STATE.index(state)), ("link", link)]
        if state == "off":
            fields += [("site", node.site["site"]), ("node", node.site["node"])]
        out = bytearray()
        cbor.put_head(out, cbor.MAP, len(fields))
        for name, value in fields:
            cbor.put(out, LINE_KEYS[name])
            cbor.put(out, value)
        self._put(frame_of(LINE_KINDS["here"], bytes(out)))
        self._beat_ms = node.now_ms

    def _bus(self, payload: bytes) -> None:
        """The bus is there from a 'new' for the connection that the node wants, until an 'off' or silence [SER-06]."""
        said = _read_bus(payload)
        if said is None or said[0] != self._node.boot:
            return
        speaker, (_, state, link) = self._node.speaker, said
        if not speaker.online:
            if state == "new" and link == (speaker.link + 1) & 0xFFFF:
                self._node.connected()
                self._heard_ms = self._node.now_ms
                self._here()
        elif link == speaker.link:
            self._node.tick()
            self._heard_ms = self._node.now_ms
            if state == "off":
                self._node.disconnected()
                self._here()
            elif state == "new":
                speaker.say("node-status")  # It was lost, or is on its way [SER-08].

    def _frame(self, kind: int, payload: bytes) -> None:
        if kind == LINE_KINDS["bus"]:
            self._bus(payload)
        elif kind in ORDERS and self._takes(payload):
            self._node.receive(payload, kind == LINE_KINDS["job-order-to-all"])

    def _takes(self, payload: bytes) -> bool:
        """While the bus is not there, no order but a hold is taken [SER-07]."""
        if self._node.speaker.online:
            return True
        order = read_order(payload, "cbor")
        return order is not None and order["act"] == "hold"


def _read_bus(payload: bytes) -> tuple | None:
    """Boot, state and link count of a 'bus', or None for what cannot be believed."""
    try:
        said = cbor.read(payload)
    except cbor.Unreadable:
        return None
    found = [said.get(LINE_KEYS[name], -1) for name in ("boot", "state", "link")]
    for number, most in zip(found, (0xFFFF, len(LINE_STATE) - 1, 0xFFFF)):
        if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= most:
            return None
    return found[0], LINE_STATE[found[1]], found[2]
