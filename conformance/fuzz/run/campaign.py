"""One run of the fuzzer over one node: batch after batch, and what failed made short."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from conformance.fuzz.generate.case_order import KINDS, CaseOrder
from conformance.fuzz.generate.steps import PROOF, REST, Case, Step, sentence
from conformance.fuzz.link import Link
from conformance.fuzz.run.trial import BEATS, Trial
from conformance.oracle.finding import Finding, Oracle
from conformance.oracle.link_log import Message
from conformance.oracle.node_judge import DEAD
from conformance.suite.fixture import Fixture

HISTORIES = (25, 50, 100, 200, 400, 1600)
"""So many steps before a failing batch are tried with it where it does not fail alone."""
PACKETS_KEPT = 20_000


@dataclass(frozen=True, slots=True)
class Options:
    """How a run is done."""

    seed: int = 1
    motion: bool = False
    rate: float = 20.0
    """Orders a second at the most; 0 for no limit."""
    kinds: tuple[str, ...] = KINDS
    first_round: int = 0
    shorten_tries: int = 100
    """0 leaves cases as long as they were found."""
    shorten_s: float = 1200
    """What making one case short may take."""


@dataclass(slots=True)
class FindingGroup:
    """One group of findings: the first, the shortest case that shows it, and how often it came."""

    finding: Finding
    steps: Case
    repeats: bool
    """Whether it showed again when the case was played to a node started afresh."""
    cases: int
    """Cases played when it showed first."""
    seconds: float
    """Time of the bench since the begin of the run."""
    came: Sequence[Message]
    """The orders that reached the node when the short case was played."""
    times: int = 1

    @property
    def says(self) -> str:
        """The case in words."""
        return sentence(self.steps or (PROOF,))


class Campaign:
    """Fuzzes the node of a stand until told to stop."""

    def __init__(
        self,
        fixture: Fixture,
        link: Link,
        options: Options,
        on_found: Callable[[FindingGroup], None] = lambda found: None,
    ) -> None:
        """`on_found` is called with every new group of findings, and again when its case was made short."""
        self.options, self.on_found = options, on_found
        self.trial = Trial(fixture, link, motion=options.motion, rate=options.rate)
        self.case_order = CaseOrder(
            options.seed, fixture.node, self.trial.judge,
            motion=options.motion, kinds=options.kinds, first_round=options.first_round,
            faults=tuple(link.faults),
        )  # fmt: skip
        self.found: dict[str, FindingGroup] = {}
        self.cases = 0
        self.showed: list[bool] = []
        """Of each case of the corpus that was played, whether anything showed."""
        self.ended = ""
        """Why the run cannot go on; '' while it can."""
        self._history: deque[Step] = deque(maxlen=HISTORIES[-1])
        self._bench = fixture.bench
        self._began_ms = fixture.bench.now_ms

    def run(self, more: Callable[[], bool], corpus: Iterable[Case] = ()) -> None:
        """Play the corpus, then batches while `more()`; each finding is made short before the next batch.

        Raises Trouble where the node says nothing from the first.
        """
        self.trial.warm_up()
        if self.trial.judge.findings:
            self._handle([REST] if self.options.motion else [])
        for case in corpus:
            if self.ended or not more():
                return
            self._play_short(case)
        while more() and not self.ended:
            self._play(self.case_order.batch(self.trial.pace.size))

    @property
    def seconds(self) -> float:
        """Time of the bench since the begin."""
        return (self._bench.now_ms - self._began_ms) / 1000

    def _play_short(self, steps: Case) -> None:
        """A case of an earlier run, on a node started afresh; it needs no shortening."""
        if self.trial.start_afresh():
            self.trial.attempt(steps)
        self.cases += 1
        self.showed.append(bool(self.trial.judge.findings))
        if self.trial.judge.findings:
            first = _worst(self.trial.judge.findings)
            self._keep(FindingGroup(first, steps, True, self.cases, self.seconds, self.trial.came()))
            self._go_on()

    def _play(self, batch: Sequence[Case]) -> None:
        steps = [step for case in batch for step in case]
        if len(steps) == len(batch):
            self.trial.attempt_timed(steps, len(batch))
        else:
            steps = [REST, *steps] if self.options.motion else steps
            self.trial.attempt(steps)
        self.cases += len(batch)
        if self.trial.judge.findings:
            self._handle(steps)
        else:
            self._history.extend((*steps, PROOF))
            self._bench.forget(PACKETS_KEPT)

    # ---- findings

    def _handle(self, steps: Sequence[Step]) -> None:
        """Group, make short, tell, and leave the node fresh."""
        first = _worst(self.trial.judge.findings)
        known = self.found.get(first.key)
        if known is not None:
            known.times += 1
        else:
            found = FindingGroup(first, tuple(steps), False, self.cases, self.seconds, self.trial.came())
            self._keep(found)
            self._keep(self._made_short(found) or found)
        self._history.clear()
        self._go_on()

    def _keep(self, found: FindingGroup) -> None:
        self.found[found.finding.key] = found
        self.on_found(found)

    def _made_short(self, long: FindingGroup) -> FindingGroup | None:
        """The same group with the shortest case that shows it again on a fresh node; None where none does."""
        if not self.options.shorten_tries:
            return None
        before = list(self._history)
        sizes = [size for size in HISTORIES if len(before) > size // 2]
        candidates = [long.steps, *((*before[-size:], *long.steps) for size in sizes)]
        options = self.options
        short = self.trial.shortened(
            candidates, long.finding, tries=options.shorten_tries, within_ms=1000 * options.shorten_s
        )
        return None if short is None else replace(long, steps=short, repeats=True, came=self.trial.came())

    def _go_on(self) -> None:
        """A node that was found wrong begins again, if it can be reset; else it has to answer to go on."""
        sound = not self.trial.lost and self.trial.start_afresh()
        findings = self.trial.judge.findings
        if self.trial.lost:
            self.ended = f"the node cannot be reached any more: {self.trial.lost}"
        elif not sound and findings:
            self.ended = f"after a reset the node is wrong at once: {findings[0]}"
        findings.clear()


def _worst(findings: Sequence[Finding]) -> Finding:
    """The one that says most of what happened: a restart, silence, then what was seen first, heartbeats last."""

    def rank(finding: Finding) -> int:
        if finding.oracle is Oracle.RESTART:
            return 0
        if finding.what == DEAD:
            return 1
        return 3 if finding.requirement in BEATS else 2

    return min(findings, key=rank)
