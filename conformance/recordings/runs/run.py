"""One run: where it stands in its recording, and what happened in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from conformance.recordings.files import Section
from conformance.recordings.runs.name import RunName


class Result(StrEnum):
    """How a run came out, by its jobs."""

    DONE = "done"
    """The goal was met, or all jobs of the given order were done; where neither is asked for: some job was done, none
    failed and none is open."""
    FAILED = "failed"
    """A job failed, or a fault that halts is active at its end."""
    UNFINISHED = "unfinished"
    """A job is open at its end, or what was asked for was not reached."""
    EMPTY = "empty"
    """It has no job."""


@dataclass(slots=True)
class Facts:
    """What happened in a run."""

    messages: int = 0
    retained: int = 0
    invalid: int = 0
    lost: int = 0
    """Messages that the nodes counted and nobody recorded."""
    connection_losses: int = 0
    """How often the recorder lost its connection."""
    jobs: dict[str, int] = field(default_factory=dict)
    """State in which they ended ('open': in none) to number."""
    acts: dict[str, int] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    """'north pick-missed' to how often it came."""
    boots: dict[str, list[int]] = field(default_factory=dict)
    """Node to the boots that it was in."""
    resets: dict[str, int] = field(default_factory=dict)
    """'north brown-out' to how often a node started so within the run."""
    reconnects: dict[str, int] = field(default_factory=dict)
    """Node to how often it connected again within a boot."""
    trains: list[str] = field(default_factory=list)
    uptime_s: float | None = None
    """How long the node that had been on longest had been on at the beginning; None where nobody said."""
    holds: int = 0
    """Orders to hold."""
    left: list[str] = field(default_factory=list)
    """Faults that halt and are active at the end."""


@dataclass(frozen=True, slots=True)
class Run:
    """One run. Its name is lasting; `began` is the wall clock of the recorder, UTC in ISO 8601."""

    name: RunName
    site: str
    began: str
    duration_s: float
    result: Result
    files: tuple[str, ...]
    """Names of the files in which it stands, as they are in their folder."""
    section: Section
    facts: Facts
    cut: str = ""
    """How its last file breaks off, '' where it does not."""
    fragment: bool = False
    """Its beginning is not there."""

    @property
    def restarts(self) -> int:
        """Boots beyond the first one of each node."""
        return sum(len(boots) - 1 for boots in self.facts.boots.values())

    @property
    def ended(self) -> str:
        """The wall clock at its end."""
        return (datetime.fromisoformat(self.began) + timedelta(seconds=self.duration_s)).isoformat()

    def as_json(self) -> dict[str, Any]:
        """Everything but where it stands in its files."""
        return {
            "name": str(self.name),
            "site": self.site,
            "began": self.began,
            "duration_s": self.duration_s,
            "result": str(self.result),
            "cut": self.cut,
            "fragment": self.fragment,
            "restarts": self.restarts,
            **asdict(self.facts),
        }

    def kept(self) -> dict[str, Any]:
        """Everything, as the index keeps it."""
        return {
            "file": self.name.file,
            "number": self.name.number,
            "site": self.site,
            "began": self.began,
            "duration_s": self.duration_s,
            "result": str(self.result),
            "files": list(self.files),
            "section": asdict(self.section),
            "facts": asdict(self.facts),
            "cut": self.cut,
            "fragment": self.fragment,
        }

    @classmethod
    def from_kept(cls, row: Mapping[str, Any]) -> Run:
        """What `kept` gave. Raises KeyError, TypeError or ValueError for anything else."""
        datetime.fromisoformat(row["began"])
        return cls(
            RunName(str(row["file"]), int(row["number"])),
            str(row["site"]),
            row["began"],
            float(row["duration_s"]),
            Result(row["result"]),
            tuple(map(str, row["files"])),
            Section(**row["section"]),
            Facts(**row["facts"]),
            str(row["cut"]),
            bool(row["fragment"]),
        )
