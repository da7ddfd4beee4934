"""One run of the fuzzer over one node: batches in flight, and what failed made short and kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from random import Random

from conformance.fuzz.finding import Finding
from conformance.fuzz.link import Link
from conformance.fuzz.payloads import Payloads
from conformance.fuzz.player import Player
from conformance.fuzz.referee import Referee
from conformance.fuzz.sequences import Sequences
from conformance.fuzz.shrink import shrunk
from conformance.fuzz.steps import Case, Step, sentence
from conformance.handling import fit
from conformance.stand import Stand
from conformance.verdict import Broken, Unclear

FIRST_WORD_MS = 30_000
HISTORY = 6
"""Batches before a failing one that are tried with it where it does not fail alone."""
QUIET_MS = 2600
"""Longer than any gap that a heartbeat may have."""
LARGEST_BATCH = 24


@dataclass(frozen=True, slots=True)
class Options:
    """How a run is done."""

    seed: int = 1
    motion: bool = False
    links: bool = True
    rate: float = 20.0
    """Orders a second at the most; 0 for no limit."""
    shrink_tries: int = 60
    first_batch: int = 0


@dataclass(slots=True)
class Found:
    """One group of findings: the first, the shortest case that shows it, and how often it came."""

    finding: Finding
    steps: Case
    repeats: bool
    """Whether it showed again when the case was played on a node that was reset."""
    cases: int
    """Cases played when it showed first."""
    at_ms: float
    """Time of the bench since the begin of the run."""
    times: int = 1
    played: list[tuple[float, str, bytes]] = field(default_factory=list)

    @property
    def says(self) -> str:
        """The case in words."""
        return sentence(self.steps)


class Campaign:
    """Fuzzes the node of a stand until told to stop."""

    def __init__(
        self,
        stand: Stand,
        link: Link,
        options: Options,
        on_found: Callable[[Found], None] = lambda found: None,
    ) -> None:
        """`on_found` is called with every new group of findings once it was made short."""
        self.stand, self.options, self._on_found = stand, options, on_found
        self.referee = Referee(stand.log, stand.site, stand.name, options.rate)
        gap_ms = 1000 / options.rate if options.rate else 0
        self.player = Player(stand, self.referee, link, motion=options.motion, gap_ms=gap_ms)
        self.found: dict[str, Found] = {}
        self.cases = 0
        self.batch = options.first_batch
        self.ended = ""
        """Why the run cannot go on; '' while it can."""
        self._size = 4
        self._history: list[list[Case]] = []
        self._began_ms = stand.bench.now_ms

    # ---- the run

    def run(self, more: Callable[[], bool], corpus: Iterable[Case] = ()) -> None:
        """Play the corpus, then batches while `more()`; each finding is made short before the next batch."""
        if not self._prepare():
            self._handle([])
        for case in corpus:
            if self.ended or not more():
                return
            self._play_batch([case])
        while more() and not self.ended:
            self._play_batch(self._drawn())
            self.batch += 1

    def _drawn(self) -> list[Case]:
        """The next batch, the same for the same seed, number and state of the node."""
        options = self.options
        rng = Random(f"{options.seed}/{self.batch}")
        if self.batch % 2:
            node = self.stand.node
            plots = Sequences(rng, node, self.referee, motion=options.motion, links=options.links)
            return [plots.draw() for _ in range(rng.randrange(1, 4))]
        payloads = Payloads(rng, motion=options.motion)
        return [payloads.draw() for _ in range(self._size)]

    def _play_batch(self, batch: Sequence[Case]) -> None:
        if self.options.motion and self.batch % 2:
            self._make_fit()
        self._attempt([step for case in batch for step in case])
        self.cases += len(batch)
        self._history.append(list(batch))
        if self.referee.findings:
            self._handle(batch)
            self._size = 4
        else:
            self._size = min(LARGEST_BATCH, self._size + 2)
        del self._history[:-HISTORY]

    def _attempt(self, steps: Sequence[Step]) -> None:
        """Play steps and prove that the node lives: a fence, and a claim that is answered as it must be."""
        self.player.play(steps)
        if self.player.fence():
            self.player.play([_KNOWN_GOOD])
            self.player.fence()

    # ---- the node

    def _restart(self) -> None:
        bench = self.stand.bench
        bench.restart()
        self.referee.restarted()
        self.player.fresh()

    def _prepare(self) -> bool:
        """Wait for the node and bring it into a state that jobs start from. False where a finding came of it."""
        self.stand.bench.wait(self._speaks, FIRST_WORD_MS)
        if self._speaks() and self.player.fence() and self.options.motion:
            self._make_fit()
        return not self.referee.findings

    def _speaks(self) -> bool:
        self.referee.take(self.stand.bench.now_ms)
        return "node-status" in self.referee.states

    def _make_fit(self) -> None:
        if self.referee.findings:
            return
        try:
            fit(self.stand)
        except Broken as broken:
            self.referee.take(self.stand.bench.now_ms)
            what = f"brought to rest: expected {broken.expected}; seen {broken.seen}"
            self.referee.tell(broken.requirement, what)
        except Unclear:
            pass  # It may stay in a state from which jobs are refused; that is a state too.
        self.referee.take(self.stand.bench.now_ms)

    # ---- findings

    def _handle(self, batch: Sequence[Case]) -> None:
        """Group, repeat, bisect, shrink, and leave the node fresh."""
        first = self.referee.findings[0]
        known = self.found.get(first.key)
        if known is not None:
            known.times += 1
        else:
            self.found[first.key] = self._made_short(first, batch)
            self._on_found(self.found[first.key])
        self._recover()

    def _made_short(self, first: Finding, batch: Sequence[Case]) -> Found:
        at_ms = self.stand.bench.now_ms - self._began_ms
        whole = [step for case in batch for step in case]
        found = Found(first, tuple(whole), False, self.cases, at_ms, played=list(self.player.played))
        if not (self.stand.bench.can_restart and whole):
            return found
        history = [step for before in self._history[:-1] for case in before for step in case]
        tries = self.options.shrink_tries
        for steps in (whole, history + whole):
            if self._shows(steps, first):
                steps, _ = shrunk(steps, lambda part: self._shows(part, first), tries=tries)
                self._shows(steps, first)
                return Found(first, tuple(steps), True, self.cases, at_ms, played=list(self.player.played))
        return found

    def _shows(self, steps: Sequence[Step], wanted: Finding) -> bool:
        """Whether the steps on a fresh node bring about the same kind of finding."""
        self._fresh_start()
        if not self.referee.findings:
            self.player.played.clear()
            self._attempt(steps)
            if wanted.requirement in ("MSG-02", "MSG-03") and not self.referee.findings:
                self.player.play([_QUIET])
                self.player.fence()
        return any(one.requirement == wanted.requirement for one in self.referee.findings)

    def _fresh_start(self) -> None:
        self.referee.findings.clear()
        self._restart()
        self._prepare()

    def _recover(self) -> None:
        """A node that was found wrong begins again, if it can be reset; else it has to answer to go on."""
        self._history.clear()
        if self.stand.bench.can_restart:
            self._fresh_start()
            if self.referee.findings:
                self.ended = f"after a reset the node is wrong at once: {self.referee.findings[0]}"
        else:
            self.referee.findings.clear()
            if not self.player.fence():
                self.ended = "the node does not answer any more, and there is no way to reset it"
        self.referee.findings.clear()


_KNOWN_GOOD = Step("order", "a claim", {"act": "claim", "id_": "next"})
_QUIET = Step("wait", f"{QUIET_MS} ms later", {"ms": QUIET_MS})
