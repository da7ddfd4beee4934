"""Plays steps to a node and proves that it lives, as it stands or started afresh."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from conformance.fuzz.generate.steps import PROOF, REST, Step, simpler
from conformance.fuzz.link import Link
from conformance.fuzz.run.pace import Pace
from conformance.fuzz.run.player import Player
from conformance.fuzz.run.shrink import shrunk
from conformance.oracle.finding import Finding, Oracle
from conformance.oracle.link_log import Message
from conformance.oracle.memory_trend import SAMPLES
from conformance.oracle.node_judge import NodeJudge
from conformance.suite.fixture import Fixture
from conformance.suite.preamble import fit
from conformance.suite.verdict import Broken, IdsUsedUp, Unclear
from protocol.specification import specification
from protocol.trouble import Trouble

FIRST_WORD_MS = 30_000
ASK_EVERY_MS = 1000
QUIET_MS = 2600
"""Longer than any gap that a heartbeat may have."""
WARM_UP = 4
LONG = 24
"""Steps from which on whole kinds are left out first."""
KNOWN_GOOD = Step("order", "a claim", {"act": "claim", "id_": "next"})
QUIET = Step("wait", f"{QUIET_MS} ms later", {"ms": QUIET_MS})
BEATS = ("MSG-02", "MSG-03")


class Trial:
    """One node, its oracle and its player."""

    def __init__(self, fixture: Fixture, link: Link, *, motion: bool, rate: float) -> None:
        """`rate` is the most orders in a second; 0: as fast as they go, on a line as fast as it carries the answers.

        A line has no way to say that a board is busy: floods may be lost there as beyond any other rate [ORD-19].
        """
        promised = specification().timing["order_rate"].most or 0
        may_lose = rate or (promised if fixture.bench.line is not None else 0)
        self.fixture, self.motion = fixture, motion
        self.judge = NodeJudge(
            fixture.log, fixture.site, fixture.name, may_lose, undisturbed=True,
            stalled=fixture.bench.stalls.within, carried=fixture.bench.line_ms, damaged=fixture.bench.damaged,
        )  # fmt: skip
        self.player = Player(fixture, self.judge, link, motion=motion, gap_ms=1000 / rate if rate else 0)
        self.pace = Pace(fixture.patience_ms)
        self.lost = ""
        """Why the node cannot be reached any more; '' while it can."""
        self._begin = 0

    # ---- playing

    def attempt(self, steps: Sequence[Step]) -> None:
        """Play steps and prove that the node lives."""
        self._begin = self.fixture.log.end
        self.player.patience_ms = self.pace.patience_ms
        for step in (*steps, PROOF):
            if step.kind == PROOF.kind:
                self._prove()
            elif step.kind == REST.kind:
                self.make_fit()
            else:
                self.player.play(step)
            if self.judge.dead:
                return

    def attempt_timed(self, steps: Sequence[Step], cases: int) -> None:
        """The same with cases that have no pauses in them: the pace is learnt from how long they take."""
        began_ms = self.fixture.bench.now_ms
        self.attempt(steps)
        if not self.judge.findings:
            self.pace.took(cases, self.fixture.bench.now_ms - began_ms)

    def _prove(self) -> None:
        """A claim that is answered as it must be, and a fence."""
        self.player.calm()
        if self.judge.known.sure or self.player.fence():
            self.player.play(KNOWN_GOOD)
            self.player.fence()

    def warm_up(self) -> None:
        """Wait for the node, learn how fast it answers, and bring it into a state that jobs start from.

        Raises Trouble where there is none.
        """
        if not self._first_word():
            raise Trouble(
                f"{self.fixture.name} has said nothing within {FIRST_WORD_MS // 1000} s",
                fix="Point it at the address above and switch it on",
            )
        began_ms = self.fixture.bench.now_ms
        if all(self.player.fence() for _ in range(WARM_UP)):
            self.pace.took(WARM_UP, self.fixture.bench.now_ms - began_ms)
            self.make_fit()

    def make_fit(self) -> None:
        """With motion allowed: end what is open and come to a state in which a job is accepted, if that can be."""
        if self.judge.findings or not self.motion:
            return
        bench = self.fixture.bench
        began_ms = bench.now_ms
        try:
            fit(self.fixture)
        except Broken as broken:
            self.judge.take(bench.now_ms)
            if bench.stalls.within(began_ms, bench.now_ms):
                return  # What did not come may be on its way, and the judge hears it.
            what = f"brought to rest: expected {broken.expected}; seen {broken.seen}"
            self.judge.tell(broken.requirement, what, Oracle.ANSWER)
        except IdsUsedUp:
            self.start_afresh()  # An order with one of the highest ids was obeyed: of this boot it takes no other.
            return
        except Unclear:
            pass  # It may stay in a state from which jobs are refused; that is a state too.
        self.judge.take(self.fixture.bench.now_ms)

    def _first_word(self) -> bool:
        def speaks() -> bool:
            self.judge.take(self.fixture.bench.now_ms)
            return "node-status" in self.judge.states

        for _ in range(FIRST_WORD_MS // ASK_EVERY_MS):
            if self.fixture.bench.wait(speaks, ASK_EVERY_MS):
                return True
            # One that has been up for long says its status seldom by itself.
            self.player.ask()
        return False

    def came(self) -> list[Message]:
        """The orders that reached the node in the last attempt."""
        return [one for one in self.fixture.log.since(self._begin) if not one.from_node]

    # ---- afresh

    def start_afresh(self) -> bool:
        """Reset the node if there is a way, else go on with it. False if it is wrong."""
        self.player.calm()
        self.fixture.bench.wait(lambda: False, 0)
        self.player.fresh()
        if self.fixture.bench.can_restart:
            try:
                self.fixture.bench.restart()
            except Unclear as unclear:
                self.lost = str(unclear)
                return False
            self.judge.restarted()
        else:
            self.judge.went_on()
        self.judge.findings.clear()
        self._begin = self.fixture.log.end
        if not self._first_word():
            self.lost = f"not a word from it within {FIRST_WORD_MS // 1000} s"
        elif not self.player.fence() and not self.fixture.bench.can_restart:
            self.lost = "it does not answer, and there is no way to reset it"
        return not (self.lost or self.judge.findings)

    def shows(self, steps: Sequence[Step], wanted: Finding) -> bool:
        """Whether the steps on a fresh node bring about the same kind of finding."""
        if self.lost:
            return False
        if self.start_afresh():
            begin = self.fixture.log.end
            for _ in range(SAMPLES + 1 if wanted.oracle is Oracle.MEMORY else 1):
                self.attempt(steps)
            if wanted.requirement in BEATS and not self.judge.findings:
                self.player.play(QUIET)
            self._begin = begin
        return any(one.requirement == wanted.requirement for one in self.judge.findings)

    def shortened(
        self, candidates: Sequence[Sequence[Step]], wanted: Finding, *, tries: int, within_ms: float
    ) -> tuple[Step, ...] | None:
        """The shortest part of the first candidate that shows `wanted` again; None where none does.

        Afterwards `came` gives what reached the node in the short case.
        """
        end_ms = self.fixture.bench.now_ms + within_ms

        def fails(part: Sequence[Step]) -> bool:
            return self.fixture.bench.now_ms < end_ms and self.shows(part, wanted)

        whole = next((steps for steps in candidates if fails(steps)), None)
        if whole is None:
            return None
        coarse, used = _without_kinds(whole, fails)
        left, more = shrunk(coarse, fails, tries=tries)
        used += more
        left = _plainer(left, fails, tries - used)
        self.shows(left, wanted)
        return tuple(left)


def _without_kinds(
    steps: Sequence[Step], fails: Callable[[Sequence[Step]], bool]
) -> tuple[Sequence[Step], int]:
    """A long case without all steps of a kind, for each kind that is not needed; and the tries it took."""
    kinds = Counter(_kind(step) for step in steps)
    if len(steps) < LONG:
        return steps, 0
    for kind, _ in kinds.most_common():
        rest = [step for step in steps if _kind(step) != kind]
        if rest and fails(rest):
            steps = rest
    return steps, len(kinds)


def _kind(step: Step) -> tuple[str, str]:
    return step.kind, str(step.fields.get("act", step.fields.get("fault", "")))


def _plainer(steps: list[Step], fails: Callable[[Sequence[Step]], bool], tries: int) -> list[Step]:
    """The same steps with as few optional fields as still fail."""
    for position in range(len(steps)):
        for other in simpler(steps[position]):
            if tries <= 0:
                return steps
            tries -= 1
            instead = [*steps[:position], other, *steps[position + 1 :]]
            if fails(instead):
                steps = instead
    return steps
