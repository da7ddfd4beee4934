"""The boot counter of a reference node: a number in a file, as a board keeps it in EEPROM."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from protocol.counting import COUNT_MODULUS, next_count

MOST = 16
"""Characters of a counter, with what may stand around it; of a longer file it is none."""


def next_boot(path: Path, random_16_bits: Callable[[], int]) -> tuple[int, bool]:
    """Count up the number in `path` and give it, with whether the counter was lost [MSG-05, MSG-06].

    A file that is missing or holds no number of 16 bits is an erased chip: the count starts from
    `random_16_bits`. The new number is in place, whole, before it is given. Raises OSError.
    """
    kept = _kept(path)
    boot = random_16_bits() % COUNT_MODULUS if kept is None else next_count(kept)
    new = path.with_name(path.name + ".new")
    path.parent.mkdir(parents=True, exist_ok=True)
    with new.open("w", encoding="ascii") as file:
        file.write(f"{boot}\n")
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    return boot, kept is None


def _kept(path: Path) -> int | None:
    try:
        with path.open(encoding="ascii") as file:
            text = file.read(MOST).strip()
    except (FileNotFoundError, UnicodeDecodeError):
        return None
    return int(text) if text.isdigit() and len(text) <= 5 and int(text) < COUNT_MODULUS else None
