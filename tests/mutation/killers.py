"""Which test killed which mutant of CI's sample: it is tried first and alone, and mostly it does so again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

KILLERS = Path(__file__).with_name("killers.json")


def killers(path: Path = KILLERS) -> dict[str, str]:
    """The node id of a test by the key of a mutant."""
    found: dict[str, str] = json.loads(path.read_text())
    return found


def record(found: Mapping[str, str], path: Path = KILLERS) -> None:
    """Keep those that a test killed by name."""
    path.write_text(json.dumps({key: test for key, test in sorted(found.items()) if test}, indent=1) + "\n")
