"""Many runs at once: what the good ones agree on is learned, and the others are grouped by where they first diverge."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil

from conformance.recordings.diff.allowance import Judged, allowance_ms
from conformance.recordings.diff.difference import Difference
from conformance.recordings.diff.differences import compare
from conformance.recordings.diff.event_log import EventLog, Names
from conformance.recordings.diff.events import event_log_of
from conformance.recordings.diff.scatter import ASSUMED_PART, TRUSTED_PART, Scatter
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.files import Source
from conformance.recordings.runs.index import RunIndex
from conformance.recordings.runs.marks import BAD, GOOD
from conformance.recordings.runs.run import Result, Run
from protocol.trouble import Trouble

LEAST_GOOD = 3
"""Good runs from which a scatter can be learned at all."""
MOST_LEARNED = 200
"""Good runs that are learned from: more do not tell more."""
MOST_EVENTS = 2_000_000
"""Events kept in memory; runs beyond are read again when they are compared."""

GroupKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Compared:
    """One run held against the good ones. Only what is told of it is kept."""

    run: Run
    first: Difference | None
    differences: int
    complete: bool
    how_far: str
    notes: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """Whether it is not shown to be like the good runs."""
        return self.first is not None or not self.complete


@dataclass(slots=True)
class Group:
    """Runs that first diverge in the same way; the earliest one stands for them."""

    kind: str
    sequence: str
    words: str
    members: list[Compared] = field(default_factory=list)

    @property
    def example(self) -> Compared:
        """The one that began first."""
        return min(self.members, key=lambda one: one.run.began)


@dataclass(slots=True)
class ManyRuns:
    """All that came of it. `assumed`: nobody marked a run as good, so those that look so were taken."""

    index: RunIndex
    good: list[Run]
    assumed: bool
    compared: list[Compared] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    cut: list[Compared] = field(default_factory=list)
    """Runs without a difference that end before the good run does."""
    unread: list[str] = field(default_factory=list)
    reference: EventLog | None = None
    scatter: Scatter | None = None
    allowance_ms: float = 0.0
    """How much further off a time may be: where what plays or records good runs stands still now and then."""

    @property
    def known(self) -> list[Run]:
        """Every run of which something is known, once: the good ones and those that were compared."""
        compared = {str(one.run.name): one.run for one in self.compared}
        return list(({str(run.name): run for run in self.good} | compared).values())

    @property
    def same(self) -> list[Compared]:
        """Those that are like the good ones."""
        return [one for one in self.compared if not one.differs]


class Logs:
    """Reads runs as events, and keeps them as long as there is room.

    What a train is called is a property of a run, that failures may go along with, and no difference.
    """

    def __init__(self, index: RunIndex, tick: Callable[[str], object] | None = None) -> None:
        self.names = Names()
        self.cut: dict[str, bool] = {}
        self._index = index
        self._tick = tick
        self._kept: dict[str, EventLog] = {}
        self._events = 0

    def of(self, run: Run) -> EventLog:
        """The events of a run. Raises Trouble where it cannot be read."""
        name = str(run.name)
        kept = self._kept.get(name)
        if kept is not None:
            return kept
        if self._tick is not None:
            self._tick(name)
        source: Source = self._index.source(run)
        log = event_log_of(name, source.items(), self.names, trains=False)
        self.cut[name] = source.broken_at is not None
        self._events += sum(map(len, log.sequences.values()))
        if self._events <= MOST_EVENTS:
            self._kept[name] = log
        return log


def compare_runs(
    index: RunIndex, tolerance: Tolerance, tick: Callable[[str], object] | None = None
) -> tuple[ManyRuns, Logs]:
    """Hold the runs of a folder against those that are marked good, or else against those that look so.

    Raises Trouble where there are not enough good runs to learn from.
    """
    marked = [run for run in index.runs if index.mark(run).mark == GOOD]
    assumed = not marked
    good = marked or [run for run in index.runs if _looks_good(run) and index.mark(run).mark != BAD]
    found = ManyRuns(index, good, assumed)
    least = LEAST_GOOD if assumed else 1
    if len(good) < least:
        what = f"{len(good)} runs to learn from: that is too few to say what good runs have in common"
        fix = "Mark some: yardwire runs mark RUN --good"
        raise Trouble(what, where=str(index.folder), fix=fix)
    logs = Logs(index, tick)
    learned = list(_readable(_spread(good, MOST_LEARNED), logs, found.unread))
    if len(learned) < least:
        raise Trouble("the good runs cannot be read", where=str(index.folder), fix="See the lines above")
    learned.sort(key=_size)
    # The reference is a run of the middle: neither one cut short nor one with more in it than the others.
    middle = len(learned) // 2
    learned = [learned[middle], *learned[:middle], *learned[middle + 1 :]]
    found.reference = learned[0]
    found.scatter = Scatter(learned, ASSUMED_PART if assumed else TRUSTED_PART)
    own = {log.name for log in learned[1:]}
    marked_good = {str(run.name) for run in marked}
    judged = []
    beyond = []
    for run in index.runs:
        name = str(run.name)
        if name == learned[0].name or run.result is Result.EMPTY or (name in marked_good and name not in own):
            continue
        for log in _readable([run], logs, found.unread):
            result = compare([found.reference], log, tolerance, found.scatter)
            result.cut_off = logs.cut[log.name]
            if name in own:
                beyond.append(result.beyond_ms)
            if name not in marked_good:
                judged.append((run, Judged(result)))
    found.allowance_ms = allowance_ms(beyond)
    found.compared = [_compared(run, one, found.allowance_ms) for run, one in judged]
    _group(found)
    return found, logs


def _size(log: EventLog) -> int:
    return sum(map(len, log.sequences.values()))


def _looks_good(run: Run) -> bool:
    """Done, without a fault, a start or a cut: what a person would take for good at first sight."""
    facts = run.facts
    odd = facts.faults or facts.left or run.restarts or run.cut or run.fragment or facts.connection_losses
    return run.result is Result.DONE and not odd


def _spread(runs: Sequence[Run], most: int) -> list[Run]:
    """At most so many of them, from the first to the last."""
    step = max(1, ceil(len(runs) / most))
    return list(runs[::step])


def _readable(runs: Iterable[Run], logs: Logs, unread: list[str]) -> Iterator[EventLog]:
    for run in runs:
        try:
            yield logs.of(run)
        except Trouble as trouble:
            told = f"{run.name}: {trouble.what}"
            if told not in unread:
                unread.append(told)


def _compared(run: Run, one: Judged, allowed_ms: float) -> Compared:
    return Compared(run, one.first(allowed_ms), one.number(allowed_ms), one.complete, one.how_far, one.notes)


def _group(found: ManyRuns) -> None:
    groups: dict[GroupKey, Group] = {}
    for one in found.compared:
        if one.first is None:
            if not one.complete:
                found.cut.append(one)
            continue
        key = (one.first.kind, one.first.sequence, one.first.words)
        groups.setdefault(key, Group(*key)).members.append(one)
    # What happens most often first; of what happens equally often, what began last.
    found.groups = sorted(groups.values(), key=lambda one: one.example.run.began, reverse=True)
    found.groups.sort(key=lambda one: -len(one.members))
