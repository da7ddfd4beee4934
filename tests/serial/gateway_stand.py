"""The gateway's end of a line, with a board and a bus that do exactly what they are told, step by step."""

from __future__ import annotations

from typing import Any

from protocol.codec import encode
from protocol.participant import Delivery, Publication
from protocol.site import Encoding
from protocol.specification import specification
from protocol.wire.serial.framing import Frame, FrameReader, encode_frame
from protocol.wire.serial.gateway_line import Action, Close, GatewayLine, Opening
from protocol.wire.serial.line_message import Bus, Connection, Here, read_bus
from tests.faulty_lines.faulty_line import site_on_lines

SITE = site_on_lines()
KINDS = specification().line_kinds


class Stand:
    """Time stands still unless it is told to pass."""

    def __init__(self, gateway_class: type[GatewayLine] = GatewayLine, name: str = "siding") -> None:
        self.now_ms, self.name = 0, name
        self.gateway = gateway_class(lambda site, node: SITE.nodes.get(node) if site == SITE.name else None)
        self.reader = FrameReader()
        self.said: list[Frame] = []
        self.done: list[Action] = []

    # ---- what the board does
    def says(self, raw: bytes) -> None:
        self.gateway.feed(raw, self.now_ms)
        self._look()

    def here(self, boot: int, link: int, *, wants: bool = True) -> None:
        connection = Connection(boot, link)
        here = Here(connection, SITE.name, self.name) if wants else Here(connection)
        self.says(encode_frame(here.frame()))

    def message(self, name: str, payload: bytes) -> None:
        self.says(encode_frame(Frame(KINDS[name].number, payload)))

    def status(self, boot: int, link: int) -> bytes:
        payload = status_payload(boot, link)
        self.message("node-status", payload)
        return payload

    # ---- what the bus does
    def subscribed(self) -> None:
        self.gateway.opened(self.now_ms)
        self._look()

    def lost(self) -> None:
        self.gateway.lost(self.now_ms)
        self._look()

    def order(self, payload: bytes, to: str = "", *, retain: bool = False) -> None:
        topic = f"yw1/{SITE.name}/{to or self.name}/job-order"
        self.gateway.deliver(Delivery(topic, payload, 1, retain))
        self._look()

    # ---- time
    def passes(self, ms: int, *, step: int = 10) -> None:
        for _ in range(ms // step):
            self.now_ms += step
            self.gateway.tick(self.now_ms)
            self._look()

    # ---- what came of it
    def _look(self) -> None:
        while self.gateway.actions:
            self.done.append(self.gateway.actions.popleft())
        while raw := self.gateway.take(self.now_ms):
            self.said += self.reader.feed(raw)

    def take_said(self) -> list[Frame]:
        said, self.said = self.said, []
        return said

    def take_done(self) -> list[Action]:
        done, self.done = self.done, []
        return done

    def buses(self) -> list[Bus]:
        found = [read_bus(frame.payload) for frame in self.take_said() if frame.kind == KINDS["bus"].number]
        assert None not in found
        return [bus for bus in found if bus is not None]

    def up(self, boot: int = 7, link: int = 1) -> None:
        """Bring a board up to where its node-status has been published; what led there is forgotten."""
        self.here(boot, link)
        self.subscribed()
        self.status(boot, link)
        self.take_said()
        self.take_done()


def status_payload(boot: int, link: int, **fields: Any) -> bytes:
    body = {
        "boot": boot, "seq": 0, "uptime": 5, "mark": 0, "state": "on", "link": link, "roles": ["berth"],
        "firmware": "1", "minor": 1, "reads": "cbor", "reset": "power-on", "bench": True, "digest": 1, "buffer": 128,
    }  # fmt: skip
    return encode("node-status", body | fields, Encoding.CBOR)


def published(actions: list[Action]) -> list[Publication]:
    return [one for one in actions if isinstance(one, Publication)]


def openings(actions: list[Action]) -> list[Opening]:
    return [one for one in actions if isinstance(one, Opening)]


def closed(actions: list[Action]) -> bool:
    return any(isinstance(one, Close) for one in actions)
