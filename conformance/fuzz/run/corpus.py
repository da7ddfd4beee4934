"""What was found, kept as recordings: `yardwire replay` says them again, and the next run tries them first."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from conformance.files.json_file import read_json
from conformance.files.whole_file import beside, write
from conformance.fuzz.generate.step_check import require_playable
from conformance.fuzz.generate.steps import Case, Step, from_text, sentence, to_text
from conformance.fuzz.run.campaign import FindingGroup
from conformance.oracle.finding import Finding, Oracle
from protocol.recording import (
    DamagedRecording,
    EventKind,
    Header,
    NotARecording,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
    RecordingWriter,
)
from protocol.trouble import Trouble

ENDING = ".ywrec"


@dataclass(frozen=True, slots=True)
class CorpusCase:
    """One case of a corpus: what it showed, and how."""

    finding: Finding
    steps: Case
    says: str
    path: Path


@dataclass(frozen=True, slots=True)
class Corpus:
    """A folder with one recording for each group of findings of one node."""

    folder: Path
    site: str
    node: str
    kit: str

    def keep(self, found: FindingGroup, *, started: str, seed: int) -> Path:
        """Write the case of one group, whole or not at all. Raises Trouble."""
        finding = found.finding
        number = zlib.crc32(f"{self.node} {finding.key}".encode())
        path = self.folder / f"{self.node}-{finding.requirement}-{number:08x}{ENDING}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with beside(path) as part, part.open("wb", buffering=0) as file:
                header = Header(self.site, started, f"fuzz {self.node}, seed {seed}", self.kit)
                writer = RecordingWriter(file, header)
                writer.event(RecordedEvent(0, EventKind.NOTE, self._note(finding, found.steps)))
                at_us = 0
                for message in found.came:
                    at_us = int((message.at_ms - found.came[0].at_ms) * 1000)
                    writer.message(
                        RecordedMessage(at_us, message.topic, message.payload, 1, message.retain, False)
                    )
                writer.end(at_us)
        except OSError as error:
            raise Trouble(
                f"a finding cannot be written: {error.strerror}",
                where=str(path),
                fix="Give another --corpus",
            ) from error
        return path

    def leave_mark(self, seed: int, round_: int) -> None:
        """Say where a run stopped, so that another can go on there. Raises Trouble."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            write(self._mark, json.dumps({"seed": seed, "round": round_}) + "\n")
        except OSError as error:
            fix = "Give another --corpus"
            raise Trouble(f"cannot be written: {error.strerror}", where=str(self._mark), fix=fix) from error

    def mark(self) -> tuple[int, int]:
        """Seed and round of the run that stopped last. Raises Trouble."""
        fix = "Run it once without --resume"
        try:
            body = read_json(self._mark, "mark", fix)
            return int(body["seed"]), int(body["round"])
        except (Trouble, ValueError, OverflowError, KeyError, TypeError, IndexError) as error:
            raise Trouble("no run of this node was stopped here", where=str(self._mark), fix=fix) from error

    @property
    def _mark(self) -> Path:
        return self.folder / f"{self.node}.next.json"

    def _note(self, finding: Finding, steps: Sequence[Step]) -> str:
        body = {
            "fuzz": 1,
            "node": self.node,
            "requirement": finding.requirement,
            "what": finding.what,
            "oracle": finding.oracle.name,
            "sentence": sentence(steps),
            "steps": to_text(steps),
        }
        return json.dumps(body, ensure_ascii=False)

    def cases(self) -> Iterator[CorpusCase]:
        """All cases for this node, in the order of their file names. Raises Trouble for a file that is none."""
        if not self.folder.is_dir():
            return
        for path in sorted(self.folder.glob(f"{self.node}-*{ENDING}")):
            yield read_case(path)


def read_case(path: Path) -> CorpusCase:
    """The case in a recording of a corpus. Raises Trouble."""
    try:
        with path.open("rb") as file:
            first = next(iter(RecordingReader(file)), None)
        if not isinstance(first, RecordedEvent):
            raise ValueError("it does not begin with the note of a fuzz case")
        body = json.loads(first.text)
        finding = Finding(str(body["requirement"]), str(body["what"]), Oracle[body["oracle"]])
        steps = from_text(body["steps"])
        require_playable(steps)
        return CorpusCase(finding, steps, str(body["sentence"]), path)
    except (
        OSError, NotARecording, DamagedRecording, ValueError, LookupError, TypeError, AttributeError,
        OverflowError, RecursionError,
    ) as error:  # fmt: skip
        raise Trouble(
            f"not a case of a fuzz corpus: {error}", where=str(path), fix="Move it out of the corpus"
        ) from error
