"""What is wrong with a message: one finding a fault, in words that the author of a firmware understands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from protocol.foreign_text import one_line

Path = tuple[str | int, ...]
"""Field names and positions from the outermost map inwards; () is the message itself."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of a message: which requirement it breaks, what is wrong where, and how to fix it."""

    requirement: str
    what: str
    where: str = ""
    """The field, such as `axes[1][0]`, or 'topic'; '' where no field can be named."""
    byte: int | None = None
    """Offset in the payload, or None where it is not known."""
    fix: str = ""

    def __str__(self) -> str:
        place = ", ".join(
            part for part in (self.where, f"byte {self.byte}" * (self.byte is not None)) if part
        )
        start = f"{self.requirement} {place}: " if place else f"{self.requirement} "
        return start + self.what + (f". {self.fix}" if self.fix else "")


@dataclass(frozen=True, slots=True)
class Flaw:
    """A finding of the codec, with the path it belongs to and whether a tolerant receiver overlooks it."""

    finding: Finding
    path: Path = ()
    forgiven: bool = False


def spell(path: Iterable[str | int]) -> str:
    """A path as people write it: `axes[1][0]`; `key 23[0]` where it begins with a key of the map in CBOR."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]" if text else f"key {step}"
        else:
            text += f"{'.' if text else ''}{_harmless(step)}"
    return text


def _harmless(name: str) -> str:
    """A name as it may be shown on a terminal, whoever chose it."""
    shown = one_line(name)
    return shown if len(shown) <= 40 else f"{shown[:36]}..."
