"""Messages as a subscriber hears them, for tests of what a page makes of them."""

from __future__ import annotations

from typing import Any

from conformance.page.model.yard import Yard
from protocol.codec import encode
from protocol.recording import EventKind, RecordedEvent, RecordedMessage
from protocol.site import Encoding, Site
from protocol.site_file import scenario

HELD: dict[str, Any] = {"held": False, "holds": 0}
CRANE: dict[str, Any] = {
    **HELD, "mode": "ready", "axes": [[480, 480, True], [180, 180, True], [0, 0, True]], "spreader": "open",
    "load": "none",
}  # fmt: skip
SHUTTLE: dict[str, Any] = {**HELD, "state": "at-place", "place": "quay-n", "stop": 1, "load": "none"}
BERTH: dict[str, Any] = {
    **HELD,
    "state": "at-rest",
    "arrival": 1,
    "reading": 178,
    "ignored": 2,
    "arm_to_end": 9000,
    "train": "T-7",
}
EMPTY_BERTH: dict[str, Any] = {**HELD, "state": "empty", "arrival": 0, "ignored": 0}
STATUS: dict[str, Any] = {
    "state": "on", "link": 1, "firmware": "1.0", "minor": 0, "reads": "json", "reset": "power-on", "bench": False,
    "digest": 0, "buffer": 256,
}  # fmt: skip


class Bus:
    """Says things to a yard, with boots, counts and uptimes as nodes keep them. Times are seconds."""

    def __init__(self, site: Site | None = None, *, up: bool = True) -> None:
        self.site = site or scenario()
        self.yard = Yard(self.site)
        self.boots: dict[str, int] = {}
        self.seqs: dict[str, int] = {}
        if up:
            self.link(EventKind.CONNECTED)

    def link(self, kind: EventKind, at_s: float = 0.0) -> None:
        self.yard.take(RecordedEvent(int(at_s * 1e6), kind, "gone"))

    def say(self, node: str, message: str, at_s: float = 1.0, *, kept: bool = False, **fields: Any) -> None:
        topic = f"{node}/{message}"
        self.seqs[topic] = fields.get("seq", self.seqs.get(topic, 0) + 1)
        usual = {
            "boot": self.boots.get(node, 1), "seq": self.seqs[topic], "uptime": int(at_s * 1000),
            **({} if message.partition("/")[0] in ("fault", "yard-map") else {"mark": 1}),
        }  # fmt: skip
        self.raw(
            topic, encode(message.partition("/")[0], {**usual, **fields}, Encoding.JSON), at_s, kept=kept
        )

    def order(self, node: str, act: str, at_s: float = 1.0, **fields: Any) -> None:
        body = {"act": act, "boot": self.boots.get(node, 1), **fields}
        self.raw(f"{node}/job-order", encode("job-order", body, Encoding.JSON), at_s)

    def raw(self, topic: str, payload: bytes, at_s: float = 1.0, *, kept: bool = False) -> None:
        full = f"yw1/{self.site.name}/{topic}"
        self.yard.take(RecordedMessage(int(at_s * 1e6), full, payload, 1, kept, False))

    def model(self, at_s: float = 1.5) -> dict[str, dict[str, Any]]:
        return self.yard.model(int(at_s * 1e6))

    def kinds(self, at_s: float = 1.5) -> set[str]:
        """The troubles that stand, as node/kind."""
        return {key.removeprefix("trouble/") for key in self.model(at_s) if key.startswith("trouble/")} - {
            f"{node}/not-heard" for node in self.site.nodes
        }
