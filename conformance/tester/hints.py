"""What is mostly behind a breach, as far as it fits what was seen: `causes.toml` names requirement and situation."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources

from conformance.oracle.link_log import Log, Message
from conformance.suite.verdict import Broken
from protocol.specification import STATE_MESSAGES
from protocol.wire.packet import Publish

ANY = "any"
"""The key of what may be behind a breach of any requirement."""
MOVES_BY_ITSELF = ("seq", "uptime", "memory")


@dataclass(frozen=True, slots=True)
class Hint:
    """One likely cause; `when` names the situation that it fits, '' where it always may be."""

    text: str
    when: str = ""


@dataclass(frozen=True, slots=True)
class Scene:
    """What a breach was seen in: the log up to the trace that shows it."""

    broken: Broken
    log: Log
    at: int

    @property
    def order(self) -> Message | None:
        """The newest order that nobody can read, up to there."""
        return next((m for m in self._orders() if not m.body), None)

    @property
    def newest_order(self) -> Message | None:
        """The newest order up to there but for the fences behind it."""
        return next((m for m in self._orders() if m.body.get("act") != "ask"), None)

    @property
    def shown(self) -> Message | None:
        """The node's message that shows it."""
        return next((m for m in self.log.messages if m.number == self.broken.at and m.from_node), None)

    def _orders(self) -> list[Message]:
        orders = [
            m for m in self.log.messages if not m.from_node and m.name == "job-order" and m.number <= self.at
        ]
        return orders[::-1]


def _unreadable_json(scene: Scene) -> bool:
    return scene.order is not None and scene.order.payload.startswith(b"{")


def _unreadable_cbor(scene: Scene) -> bool:
    return scene.order is not None and not scene.order.payload.startswith(b"{")


def _trailing_comma(scene: Scene) -> bool:
    order = scene.order
    return order is not None and any(end in order.payload for end in (b",}", b",]"))


def _retained_order(scene: Scene) -> bool:
    order = scene.newest_order
    return order is not None and order.retain


def _old_state(scene: Scene) -> bool:
    """The node says again on a topic what it had said before it said something else there."""
    shown = scene.shown
    if shown is None or shown.name not in STATE_MESSAGES:
        return False
    said = [_gist(m) for m in scene.log.sent(shown.name) if m.number <= shown.number]
    return _gist(shown) in said[:-1] and said[-1:] != said[-2:-1]


def _gist(message: Message) -> dict[str, object]:
    return {key: value for key, value in message.body.items() if key not in MOVES_BY_ITSELF}


def _sent_again(scene: Scene) -> bool:
    return scene.shown is not None and isinstance(p := scene.shown.trace.packet, Publish) and p.dup


def _unsupported(scene: Scene) -> bool:
    return scene.shown is not None and scene.shown.body.get("reason") == "unsupported"


SITUATIONS: dict[str, Callable[[Scene], bool]] = {
    "": lambda _scene: True,
    "unreadable-json": _unreadable_json,
    "unreadable-cbor": _unreadable_cbor,
    "trailing-comma": _trailing_comma,
    "retained-order": _retained_order,
    "old-state": _old_state,
    "sent-again": _sent_again,
    "unsupported": _unsupported,
}
"""Each situation by its name, with how it is told from others."""


@cache
def hints() -> dict[str, tuple[Hint, ...]]:
    """Every hint by its requirement, and under ANY those for all."""
    text = resources.files(__package__).joinpath("causes.toml").read_text(encoding="utf-8")
    return {
        id_: tuple(Hint(one) if isinstance(one, str) else Hint(one["text"], one["when"]) for one in told)
        for id_, told in tomllib.loads(text).items()
    }


def fitting(broken: Broken, log: Log) -> tuple[str, ...]:
    """The likely causes of a breach that fit what was seen, those of a certain situation first."""
    scene = Scene(broken, log, log.end if broken.at is None else broken.at)
    told = (*hints().get(broken.requirement, ()), *hints().get(ANY, ()))
    found = [one for one in told if SITUATIONS[one.when](scene)]
    return tuple(one.text for one in sorted(found, key=lambda one: not one.when))
