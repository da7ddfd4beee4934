"""Which code is mutated, and which tests hold it: `packages.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from tests.mutation.changes import sources

ROOT = Path(__file__).parents[2]
LISTED = Path(__file__).with_name("packages.toml")


@dataclass(frozen=True, slots=True)
class Package:
    """Code that is sampled as one."""

    name: str
    sources: Mapping[str, str]
    """Its files by their path, as they are now."""
    tests: Mapping[str, tuple[str, ...]]
    """What pytest is told to run for each file."""


def packages(listed: Path = LISTED, root: Path = ROOT) -> list[Package]:
    """All of them. Raises ValueError for a file without tests, and for tests that are not there."""
    found = []
    for name, entry in tomllib.loads(listed.read_text()).items():
        files = sources(root, entry["code"], entry.get("without", ()))
        tests = {file: _tests(file, entry["modules"]) for file in files}
        for path in {path for paths in tests.values() for path in paths}:
            if not (root / path).exists():
                raise ValueError(f"{listed.name}: {name}: no tests at {path}")
        found.append(Package(name, files, tests))
    return found


def _tests(file: str, modules: list[dict[str, object]]) -> tuple[str, ...]:
    for entry in modules:
        tests = entry["tests"]
        if fnmatch(file, str(entry["files"])) and isinstance(tests, list) and tests:
            return tuple(tests)
    raise ValueError(f"{LISTED.name}: no tests hold {file}")
