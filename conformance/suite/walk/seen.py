"""What a node shows behind a fence, and whether what follows on a letter is what may follow."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from conformance.oracle.wording import in_words
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk, Outcome
from conformance.suite.walk.letters import Letter
from protocol.counting import next_count
from protocol.specification import OPEN

SIDE_EFFECT = {
    "claim": "CLM-03", "claim-again": "CLM-02", "claim-old": "CLM-02", "other-boot": "ORD-05", "stale": "ORD-07",
    "repeat": "ORD-06", "repeat-changed": "ORD-06", "cancel": "ORD-17", "cancel-own-id": "ORD-22", "hold": "HLD-02",
    "resume": "HLD-05", "reset-fault": "FLT-05", "reset-bare": "FLT-05", "reconnect": "FLT-05",
    "unreadable": "ENC-10", "retained": "LNK-14", "set-uptime": "BEN-04", "finish": "ORD-16", "cancel-later": "ORD-21",
    "cancel-unseen": "ORD-18", "cancel-forgotten": "ORD-07", "power-failure": "FLT-06", "early-end": "BER-04",
    "grip": "ORD-16", "miss": "FLT-02", "tail": "ENC-10", "for-all": "HLD-07", "strange": "CLM-03",
    "hold-all": "HLD-02",
}  # fmt: skip
"""Letter to the requirement that is broken where something else changes than what follows on it."""
UNREAD_LETTERS = ("unreadable", "tail", "for-all")
TABLE = {"crane": "CRN-02", "berth": "BER-02", "shuttle": "SHT-02"}
FOUND = {"crane": "CRN-11", "berth": "BER-07", "shuttle": "SHT-06"}


@dataclass(frozen=True, slots=True)
class Seen:
    """All that an answered ask shows of a node, as far as a walk looks at it."""

    boot: int
    mark: int
    job: int | None
    job_state: str
    held: bool
    holds: int
    faults: int
    machines: tuple[str, ...]
    load: str
    homed: bool
    arrival: int | None
    stop: int | None
    starts: int | None
    link: int
    place: str = ""
    position: int = 0

    def fits(self, desk: Desk) -> bool:
        """Whether a node in that state shows this."""
        job = self.job_state or "none"
        same = job == desk.job or (desk.job == "running" and job in OPEN)
        return (
            same
            and self.machines == desk.machines
            and self.held == desk.held
            and self.load in ("", desk.load)
        )


@dataclass(frozen=True, slots=True)
class Said:
    """What came for an order: its reports, and the mark that is due where it is raised."""

    reports: tuple[tuple[str, str], ...]
    """State and reason of each."""
    id: int | None
    """The id that the mark is raised to, where it is."""
    misdirected: str = ""
    """What came instead of a report: one that names the order otherwise than its answer does."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way in which a letter may have gone: from which state, how, and where the node is by now."""

    before: Desk
    outcome: Outcome
    now: Desk
    faults: int
    """By how much the count of faults has gone up in all."""


@dataclass(frozen=True, slots=True)
class Difference:
    """What a node did and must not."""

    requirement: str
    expected: str
    seen: str


def candidates(derivation: Derivation, belief: Sequence[Desk], letter: Letter) -> list[Candidate]:
    """Every way in which a letter may go, from every state that the node may be in."""
    found: dict[Candidate, None] = {}
    for desk in belief:
        for before, earlier in derivation.drift(desk):
            if not letter.applies(before):
                continue
            for outcome in derivation.outcomes(before, letter):
                for now, later in derivation.drift(outcome.next):
                    found[Candidate(before, outcome, now, earlier + outcome.faults + later)] = None
    return list(found)


@dataclass(frozen=True, slots=True)
class Step:
    """A letter that was played: what was seen before and behind it, and what was answered."""

    letter: Letter
    before: Seen
    after: Seen
    said: Said

    def judge(
        self, possible: Sequence[Candidate], roles: Sequence[str]
    ) -> tuple[list[Candidate], Difference | None, list[str]]:
        """The candidates that what was seen leaves, or the first difference; and what was judged."""
        left = list(possible)
        judged: list[str] = []
        for asks in self._questions(roles):
            fit = [one for one in left if asks.fits(one)]
            requirement = asks.requirement(left[0])
            if not fit:
                expected = " or ".join(dict.fromkeys(asks.expected(one) for one in left))
                return left, Difference(requirement, expected, asks.seen), judged
            judged.append(requirement)
            left = fit
        return left, None, judged

    def _questions(self, roles: Sequence[str]) -> Iterator[_Question]:
        before, after = self.before, self.after
        told = [f"{state} {reason}".strip() for state, reason in self.said.reports]
        yield _Question(
            self._answered,
            lambda one: _words(one.outcome.said),
            ", ".join(told) or "no report" + self.said.misdirected,
            lambda one: "ORD-14" if one.outcome.said and self.said.misdirected else one.outcome.requirement,
        )
        yield _Question(
            lambda one: after.mark == self._mark(one.outcome),
            lambda one: f"mark {self._mark(one.outcome)}",
            f"mark {after.mark}",
            self._of_mark,
        )
        yield _Question(
            lambda one: (after.held, after.holds) == self._held(one),
            lambda one: _held_words(*self._held(one)),
            _held_words(after.held, after.holds),
            self._of_hold,
        )
        yield _Question(
            lambda one: after.faults == (before.faults + one.faults) % 65536,
            lambda one: f"faults {(before.faults + one.faults) % 65536}",
            f"faults {after.faults}",
            lambda one: self._of_faults(one, roles),
        )
        yield _Question(
            lambda one: after.job == self._job(one) and _same_job(after.job_state, one.now.job),
            lambda one: _job_words(self._job(one), one.now.job),
            _job_words(after.job, after.job_state),
            self._of_begun_job,
        )
        yield _Question(
            lambda one: after.machines == one.now.machines,
            lambda one: " ".join(map(repr, one.now.machines)),
            " ".join(map(repr, after.machines)),
            lambda one: self._of_machine(one, roles),
        )
        yield _Question(
            lambda one: after.load in ("", one.now.load),
            lambda one: f"load {one.now.load!r}",
            f"load {after.load!r}",
            lambda _one: self._side("CRN-10"),
        )
        yield from self._counts()

    def _counts(self) -> Iterator[_Question]:
        before, after = self.before, self.after
        yield _Question(
            lambda one: _up(before.arrival, one.outcome.arrivals) == after.arrival,
            lambda one: f"arrival {in_words(_up(before.arrival, one.outcome.arrivals))}",
            f"arrival {in_words(after.arrival)}",
            lambda _one: "BER-06",
        )
        yield _Question(
            lambda one: after.stop in [_up(before.stop, by) for by in one.outcome.stops],
            lambda one: f"stop {in_words(_up(before.stop, max(one.outcome.stops)))}",
            f"stop {in_words(after.stop)}",
            lambda _one: "SHT-05",
        )
        still = before.starts is None or after.starts is None or after.starts == before.starts
        yield _Question(
            lambda one: still or one.outcome.may_move or one.before.moving or one.now.moving,
            lambda _one: f"no motor switched on ('starts' {in_words(before.starts)})",
            f"'starts' {in_words(after.starts)}",
            lambda one: "HLD-03" if one.before.held else self._side("ORD-20"),
        )
        links = next_count(before.link) if self.letter.kind == "link" else before.link
        yield _Question(
            lambda _one: after.link == links,
            lambda _one: f"link {links}",
            f"link {after.link}",
            lambda _one: "LNK-09",
        )

    # ---- what is due

    def _answered(self, one: Candidate) -> bool:
        due, reports = one.outcome.said, self.said.reports
        if due is None:
            return not reports or self.letter.order is None
        if not reports:
            return False
        state, reason = reports[0]
        if due[0] in OPEN and one.outcome.begun:
            return state in OPEN
        same = state == due[0] or (due[0] == "running" and state in OPEN)
        return same and due[1] in (None, reason)

    def _mark(self, outcome: Outcome) -> int:
        return (
            self.said.id
            if (outcome.raised or self.letter.kind == "play") and self.said.id
            else self.before.mark
        )

    def _held(self, one: Candidate) -> tuple[bool, int]:
        return one.now.held, (self.before.holds + one.outcome.holds) % 65536

    def _job(self, one: Candidate) -> int | None:
        return self.said.id if one.outcome.begun else self.before.job

    # ---- what is broken

    def _side(self, otherwise: str) -> str:
        return SIDE_EFFECT.get(self.letter.name, otherwise)

    def _of_job(self, otherwise: str) -> str:
        if self.letter.name.startswith("claim"):
            return "CLM-03"
        return self._side("MSG-10" if self.after.job is None else otherwise)

    def _of_begun_job(self, one: Candidate) -> str:
        if not one.outcome.begun:
            return self._of_job("ORD-09")
        too_early = self.after.job == self._job(one) and self.after.job_state == "done"
        return self._of_job("ORD-16" if too_early else "ORD-15")

    def _of_faults(self, one: Candidate, roles: Sequence[str]) -> str:
        """A machine that halts where nothing has befallen it is not a warning that was counted."""
        if one.faults:
            return "FLT-02"
        halted = (
            self.after.faults - self.before.faults
        ) % 65536 < 32768 and self.after.machines != one.now.machines
        return self._side(self._of_machine(one, roles) if halted else "FLT-03")

    def _of_mark(self, one: Candidate) -> str:
        if not one.outcome.raised:
            return self._side("ORD-08")
        return one.outcome.requirement if self.letter.name.startswith(("claim", "cancel-")) else "ORD-08"

    def _of_hold(self, one: Candidate) -> str:
        if self.letter.name.startswith("resume"):
            return one.outcome.requirement
        if self.letter.name in ("set-uptime", "retained", "other-boot", *UNREAD_LETTERS):
            return self._side("HLD-01")
        if self.letter.name in ("hold", "hold-all") and not self.before.held:
            return "HLD-01"
        return "HLD-05" if one.now.held and not self.after.held else "HLD-01"

    def _of_machine(self, one: Candidate, roles: Sequence[str]) -> str:
        shown = zip(roles, one.now.machines, self.after.machines, strict=True)
        role = next((role for role, due, seen in shown if due != seen), roles[0])
        if self.letter.name in ("reset-fault", "reset-bare"):
            return FOUND[role]
        changed = one.now.machines != one.before.machines
        if self.letter.name == "power-failure" or (self.letter.happens == "pushed" and changed):
            return one.outcome.requirement
        return TABLE[role] if changed else self._side(TABLE[role])


@dataclass(frozen=True, slots=True)
class _Question:
    fits: Callable[[Candidate], bool]
    expected: Callable[[Candidate], str]
    seen: str
    requirement: Callable[[Candidate], str]


def _words(said: tuple[str, str | None] | None) -> str:
    return "no report" if said is None else " ".join(word for word in said if word)


def _held_words(held: bool, holds: int) -> str:
    return f"{'held' if held else 'not held'}, holds {holds}"


def _job_words(job: int | None, state: str) -> str:
    return "no job" if job is None else f"job {job} {state or 'none'}"


def _same_job(state: str, due: str) -> bool:
    return (state or "none") == due or (due == "running" and state in OPEN)


def _up(count: int | None, by: int) -> int | None:
    return None if count is None else (count + by) % 65536 if by == 0 else next_count(count)
