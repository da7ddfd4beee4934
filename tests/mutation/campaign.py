"""Runs samples of mutants, some beside each other, and keeps every result at once, so that it can be stopped."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.mutation.changes import Change
from tests.mutation.packages import ROOT, Package
from tests.mutation.trial import MutatedFinder, Trial, start

KEPT = ROOT / "out" / "mutants" / "results.jsonl"
LIMIT = 25
"""Seconds of processor time for one test of a mutant."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a mutant."""

    key: str
    state: str
    """Digest of the mutated file and of the tests that ran: a result holds for these alone."""
    ended: str
    """As in Trial; `passed` means that it lives."""
    test: str
    seconds: float

    @property
    def lives(self) -> bool:
        """Whether all tests passed."""
        return self.ended == "passed"


class FailsUnchanged(Exception):
    """The tests do not pass without any change, so they kill nothing."""


class Campaign:
    """Runs mutants of packages."""

    def __init__(
        self,
        jobs: int,
        kept: Path = KEPT,
        root: Path = ROOT,
        *,
        afresh: bool = False,
        killers: Mapping[str, str] | None = None,
    ) -> None:
        """`jobs` beside each other. Results of an earlier run are taken over, unless asked for `afresh`.

        `killers` are tests by the mutant that they killed before: each is tried alone, and the others where it passes.
        """
        self._jobs = jobs
        self._kept = kept
        self._root = root
        self._killers_before = killers or {}
        self._states: dict[str, str] = {}
        self._killers: set[str] = set()
        self._killing: set[str] = set()
        self._known = {} if afresh else {(one.key, one.state): one for one in _read(kept)}

    def run(self, package: Package, changes: Sequence[Change]) -> Iterator[Outcome]:
        """The outcome of each, in the order in which they come about; `control` has the last word on them."""
        todo: list[Change] = []
        for change in changes:
            known = self._known.get((change.key, self._state(package, change.file)))
            if known is None:
                todo.append(change)
            else:
                self._note(package, change, known)
                yield known
        for change, outcome in self._play(package, todo):
            self._note(package, change, outcome)
            self._keep(outcome)
            yield outcome

    def control(self) -> None:
        """Run without any change what has killed a mutant. Raises FailsUnchanged where it fails."""
        # Where none failed by name, reading the tests has to succeed at least.
        only = self._killers - {""}
        if not self._killers:
            return
        log = self._kept.with_name("control.log")
        trial = start(sorted(self._killing), LIMIT, None, only or None, log)
        while not trial.look():
            time.sleep(0.02)
        if trial.ended != "passed":
            left = [one for one in _read(self._kept) if one.test and one.test != trial.test]
            self._kept.write_text("".join(_line(one) for one in left))
            raise FailsUnchanged(f"without any change {trial.test or 'the tests'} {trial.ended}: see {log}")

    def _note(self, package: Package, change: Change, outcome: Outcome) -> None:
        if not outcome.lives:
            self._killers.add(outcome.test)
            self._killing.update(package.tests[change.file])

    def _play(self, package: Package, changes: Iterable[Change]) -> Iterator[tuple[Change, Outcome]]:
        todo = [(change, self._killers_before.get(change.key, "")) for change in changes][::-1]
        running: dict[str, tuple[Change, str, Trial]] = {}
        try:
            while todo or running:
                while todo and len(running) < self._jobs:
                    change, killer = todo.pop()
                    running[change.key] = change, killer, self._start(package, change, killer)
                time.sleep(0.02)
                for key, (change, killer, trial) in list(running.items()):
                    if not trial.look():
                        continue
                    del running[key]
                    if killer and trial.test != killer:
                        todo.append((change, ""))
                        continue
                    if trial.ended == "none":
                        raise FailsUnchanged(f"none is left to run for {change.file}")
                    state, took = self._state(package, change.file), time.monotonic() - trial.began
                    yield change, Outcome(key, state, trial.ended, trial.test, round(took, 1))
        finally:
            for _change, _killer, trial in running.values():
                trial.stop()

    def _start(self, package: Package, change: Change, killer: str) -> Trial:
        finder = MutatedFinder(self._root, change.file, change.apply(package.sources[change.file]))
        if killer:
            return start([str(self._root / killer.partition("::")[0])], LIMIT, finder, [killer])
        return start(package.tests[change.file], LIMIT, finder)

    def _keep(self, outcome: Outcome) -> None:
        self._kept.parent.mkdir(parents=True, exist_ok=True)
        with self._kept.open("a") as kept:
            kept.write(_line(outcome))

    def _state(self, package: Package, file: str) -> str:
        tests = package.tests[file]
        if file not in self._states:
            digest = hashlib.blake2b(package.sources[file].encode(), digest_size=8)
            for path in sorted(path for test in tests for path in _python(self._root / test)):
                digest.update(path.read_bytes())
            self._states[file] = digest.hexdigest()
        return self._states[file]


def _python(path: Path) -> Iterator[Path]:
    yield from path.rglob("*.py") if path.is_dir() else [path]


def _line(outcome: Outcome) -> str:
    return json.dumps(asdict(outcome)) + "\n"


def _read(kept: Path) -> Iterator[Outcome]:
    if kept.exists():
        for line in kept.read_text().splitlines():
            entry: Mapping[str, object] = json.loads(line)
            yield Outcome(**entry)  # type: ignore[arg-type]
