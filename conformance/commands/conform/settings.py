"""What `yardwire conform` was asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user asked for."""

    node: str
    only: tuple[str, ...]
    motion: bool
    yes: bool
    spawn: bool
    slow: float
    seed: int
    files: dict[str, Path | None]
    walk: int = 1
    """How far a node on the bench is walked through its machine: 0, 1 or 2."""
    reset_command: str | None = None
    ask_person: bool = False
    since: Path | None = None
    resume: Path | None = None
    program: tuple[str, ...] | None = None
    """Words of the command that starts a supervisor."""
