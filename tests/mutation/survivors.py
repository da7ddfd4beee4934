"""The mutants that are known to live, each with the reason: `survivors.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.changes import Change

LISTED = Path(__file__).with_name("survivors.toml")


@dataclass(frozen=True, slots=True)
class Survivor:
    """A mutant that no test has to kill."""

    key: str
    equivalent: bool
    """Whether nobody could tell it from the program; else it is owned up to, and counts as alive."""
    reason: str

    @property
    def file(self) -> str:
        """Where it stands."""
        return self.key.split(" | ")[0]


def survivors(listed: Path = LISTED) -> dict[str, Survivor]:
    """Those that are listed, by their key. Raises ValueError for one without a reason or listed twice."""
    found: dict[str, Survivor] = {}
    for entry in tomllib.loads(listed.read_text()).get("survivor", []):
        kinds = entry.keys() & {"equivalent", "owned"}
        parts = (entry["file"], entry["scope"], entry["text"], entry["operator"], str(entry.get("nth", 1)))
        key = " | ".join(parts)
        if len(kinds) != 1 or not entry[(kind := kinds.pop())].strip() or key in found:
            raise ValueError(f"{listed.name}: {key} needs one reason, 'equivalent' or 'owned', and one entry")
        found[key] = Survivor(key, kind == "equivalent", entry[kind])
    return found


def gone(listed: Iterable[Survivor], changes: Iterable[Change]) -> list[str]:
    """Listed ones that the code has no more."""
    there = {change.key for change in changes}
    return [one.key for one in listed if one.key not in there]
