"""Runs cases in the order of their prerequisites, those that need the node left alone behind the others.

Those share that time; the passive ones are last, judged from all that was seen.
"""

from __future__ import annotations

import traceback
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from graphlib import TopologicalSorter
from math import inf

from conformance.oracle.motion import SWITCHED_ON
from conformance.suite.bench import CannotJudge
from conformance.suite.case import NODES, Body, Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.preamble import settle
from conformance.suite.stalls import StoodStill
from conformance.suite.verdict import Broken, NoOccasion, Unclear, Verdict, overall
from conformance.tester import no_verdict
from conformance.tester.evidence import Evidence, gather
from conformance.tester.identity import motion_withheld
from conformance.tester.judging import Judging
from conformance.tester.judging_again import until_clear, with_what_is_open
from conformance.tester.message_flaws import first_flaw
from conformance.tester.observation_window import ObservationWindow
from conformance.tester.result import IDENTITY, Result

NOTHING_TO_JUDGE = "nothing to judge: what this case looks at was not seen in this run"
NOT_OF_ITS_VERSION = "not of its version"
"""How the reason begins why a case is neither passed nor failed by a node that says an older minor version."""
OPENING = ("link-says-on", "orders-ask")
"""The cases that wait for the node and show that it answers; all others begin with a fence."""


@dataclass(frozen=True, slots=True)
class Selection:
    """Which cases are asked for."""

    only: tuple[str, ...] | None = None
    """These and what they rest on; None for every case, and none for an empty tuple."""
    motion: bool = True


Progress = Callable[[Case, Result | None], None]
"""Called with each case as it starts (None) and with its result."""
Earlier = Callable[[Case, Fixture, Callable[[], Result]], Result]
"""Gives the result of an earlier run where it stands, else that of the call handed to it."""


@dataclass(slots=True)
class Run:
    """One run over one node; `results` grows as it goes, so that an interrupted run can be reported."""

    fixture: Fixture
    selection: Selection = field(default_factory=Selection)
    progress: Progress = lambda _case, _result: None
    results: dict[str, Result] = field(default_factory=dict)
    earlier: Earlier = lambda _case, _stand, judge: judge()
    planned: dict[str, Case] = field(default_factory=dict)
    """Every case that the run is to come to; empty before it begins."""
    _judging: Judging | None = None

    def perform(self, cases: Iterable[Case] | None = None) -> dict[str, Result]:
        """Run every selected case and give the results by case id, in the order they came about."""
        for _ in self.steps(cases):
            pass
        return self.results

    def steps(self, cases: Iterable[Case] | None = None) -> Iterator[Result]:
        """The same, one result after the other: each case is run when its result is asked for."""
        chosen = self.plan(cases)
        quiet = [case for case in chosen if case.quiet]
        stretch = ObservationWindow(self.fixture, settle)

        def left_alone(case: Case, number: int) -> Result:
            shared = stretch if number == 0 else ObservationWindow(self.fixture, settle)
            due = filter(self._due, quiet) if number == 0 else (case,)
            return self._judge(case, lambda _stand: shared.judge(case, due))

        for case in chosen:
            if case.passive:
                yield self._record(case, self._from_all)
                continue
            once = left_alone if case.quiet else self._active
            yield self._record(case, partial(self._until_clear, once))

    def _from_all(self, case: Case) -> Result:
        """Judge a case from all that was seen."""
        return with_what_is_open(self.fixture, partial(self._judge, case))

    def _until_clear(self, once: Callable[[Case, int], Result], case: Case) -> Result:
        """Judge a case again where the test machine stood still meanwhile."""
        return until_clear(self.fixture, partial(once, case))

    def plan(self, cases: Iterable[Case] | None = None) -> list[Case]:
        """The cases that it comes to, in order; from now on it is incomplete until it has."""
        roles = self.fixture.node.roles
        known = all_cases() if cases is None else by_id(cases)
        chosen = order(with_prerequisites(known, self.selection.only, roles), roles)
        self.planned |= by_id(chosen)
        return chosen

    def ahead(self, cases: Iterable[Case] | None = None) -> list[Case]:
        """Which of these it will run, in order: those that it comes to and that are selected."""
        return [case for case in self.plan(cases) if not not_selected(case, self.fixture, self.selection)]

    @property
    def verdict(self) -> Verdict:
        """The verdict of the whole run: a pass only where it is complete and what was asked for was judged."""
        worst = overall(result.verdict for result in self.results.values())
        shown = self.complete and not self.unjudged
        return worst if shown else overall((worst, Verdict.INCONCLUSIVE))

    @property
    def complete(self) -> bool:
        """Whether it came to every case that it was to come to."""
        return bool(self.planned) and not self.not_reached

    @property
    def not_reached(self) -> list[str]:
        """The cases that it was to come to and did not, but for those that are not selected anyway."""
        return [
            id_
            for id_, case in self.planned.items()
            if id_ not in self.results and not not_selected(case, self.fixture, self.selection)
        ]

    @property
    def judged_again(self) -> list[str]:
        """Cases that were judged more than once, because the test machine stood still meanwhile."""
        return [id_ for id_, result in self.results.items() if result.tries > 1]

    @property
    def unjudged(self) -> list[str]:
        """Cases that were asked for by name and came to no verdict: what passed beside them shows nothing of them."""
        return [
            id_
            for id_ in dict.fromkeys(self.selection.only or ())
            if id_ in self.results and self.results[id_].verdict is Verdict.NONE
        ]

    def _record(self, case: Case, how: Callable[[Case], Result]) -> Result:
        began = self.fixture.bench.now_ms
        reason = not_selected(case, self.fixture, self.selection)
        if reason:
            result = Result(case, Verdict.NONE, reason)
        else:
            self.progress(case, None)
            withheld = motion_withheld(self.fixture) if case.moves else ""
            if missing := self._missing(case):
                result = Result(case, Verdict.INCONCLUSIVE, missing, cause=self._cause(case))
            elif withheld:
                reason = f"nothing is moved: {withheld}"
                result = Result(case, Verdict.INCONCLUSIVE, reason, cause=IDENTITY)
            else:
                since = self.fixture.log.end
                result = self.earlier(case, self.fixture, lambda: self._with_judge(how(case), since))
        if not result.taken_over:
            result = replace(result, took_ms=self.fixture.bench.now_ms - began)
        self.results[case.id] = result
        self.progress(case, result)
        return result

    @property
    def judged(self) -> Mapping[str, int]:
        """How often the judge of all messages could judge each requirement by now."""
        return self._judging.judged if self._judging is not None else {}

    def _with_judge(self, result: Result, since: int) -> Result:
        """The result with what the judge of all messages found meanwhile: a breach of a MUST fails the case.

        Which of the two stands first is said in `_stands_first`; the other is told too. `since` is the trace before it.
        """
        if not set(self.fixture.node.roles) & set(NODES):
            return self._with_flaw(result, since)
        if self._judging is None:
            self._judging = Judging(self.fixture)
        found = self._judging.look()
        own = result.evidence
        result = replace(result, warnings=(*result.warnings, *found.shoulds), breaches=found.musts)
        if not found.musts or result.verdict is Verdict.ERROR:
            return result
        first = found.musts[0]
        if own is not None and self._stands_first(own, first, walked=result.case.chapter == "walk"):
            return result
        return _behind(found.musts, result)

    def _with_flaw(self, result: Result, since: int) -> Result:
        """The result of a case for supervisors; an invalid message stands before what came of it."""
        if result.case.passive or result.verdict not in (Verdict.FAIL, Verdict.INCONCLUSIVE):
            return result
        shown_at = inf if result.evidence is None else result.evidence.shown_at
        flaw = first_flaw(self.fixture, since, shown_at)
        return result if flaw is None else _behind((flaw,), result)

    def _stands_first(self, own: Evidence, judged: Evidence, *, walked: bool) -> bool:
        """Whether what a case found stands before what the judge of all messages found.

        What came of one order is one thing, and a case knows more of it: what for it was given. So it does of an answer
        that does not come, or comes under another id: what was strange in the order. The walk judges each step itself.
        A motor that was switched on stands before what is only told wrongly.
        """
        if walked:
            return True
        if own.shown_at == inf:
            return judged.requirement in ("ORD-01", "ORD-03", "ORD-14")
        ordered = (
            m.number for m in reversed(self.fixture.log.messages)
            if not m.from_node and m.number < own.shown_at and m.body.get("act", "ask") != "ask"
        )  # fmt: skip
        moved = judged.seen.startswith(SWITCHED_ON) and judged.shown_at < own.shown_at
        return judged.shown_at > next(ordered, 0) and not moved

    def _due(self, case: Case) -> bool:
        """Whether its body will be run: it is selected, nothing that it rests on failed, and it may move."""
        if not_selected(case, self.fixture, self.selection) or self._missing(case):
            return False
        return not (case.moves and motion_withheld(self.fixture))

    def _missing(self, case: Case) -> str:
        """Which prerequisite keeps the case from showing anything."""
        before = self._lacking(case)
        if before is None:
            return ""
        return f"{before.case.id} did not pass ({before.own.word}), and this case rests on it"

    def _lacking(self, case: Case) -> Result | None:
        """The first prerequisite that did not pass."""
        found = (self.results[id_] for id_ in case.after if id_ in self.results)
        return next((one for one in found if one.own not in (Verdict.PASS, Verdict.NONE)), None)

    def _cause(self, case: Case) -> str:
        """The first cause of a case whose prerequisite did not pass: where the chain begins."""
        before = self._lacking(case)
        return "" if before is None else before.cause or before.case.id

    def _unrest(self) -> str:
        """The cause of a node that cannot be brought to rest: the case just before, where that did not pass.

        The node had been brought to rest before that one.
        """
        ran = [one for one in self.results.values() if one.verdict is not Verdict.NONE and not one.taken_over]
        before = next(
            (one for one in reversed(ran) if one.case.id not in OPENING and not self._lacking(one.case)), None
        )
        if before is None or before.own is Verdict.PASS:
            return ""
        return before.cause or before.case.id

    def _active(self, case: Case, _number: int = 0) -> Result:
        # A case for supervisors starts a fresh one instead.
        if case.id not in OPENING and "supervisor" not in case.roles:
            try:
                settle(self.fixture)
            except (Broken, Unclear) as error:
                why = self.fixture.bench.absence() or str(error)
                reason = f"the node could not be brought to rest: {why}"
                return Result(case, Verdict.INCONCLUSIVE, reason, cause=self._unrest())
            except CannotJudge:
                raise
            except Exception:  # noqa: BLE001 - as in the body of a case
                return Result(case, Verdict.ERROR, traceback.format_exc())
        return self._judge(case)

    def _judge(self, case: Case, body: Body | None = None) -> Result:
        """Run the body, or what stands for it. The first breach ends it, so that the first reason is kept."""
        self.fixture.warnings, self.fixture.judged = [], Counter()
        self.fixture.can_repeat, self.fixture.gave_up_ms, self.fixture.broken = not case.passive, None, None
        verdict, reason, evidence, spoilt = Verdict.PASS, "", None, False
        try:
            (body or case.body)(self.fixture)
            if not any(self._judged(case).values()):
                raise Unclear(NOTHING_TO_JUDGE)
        except Broken as broken:
            verdict, reason, evidence = Verdict.FAIL, str(broken), gather(broken, self.fixture.log)
        except NoOccasion as none:
            verdict, reason = Verdict.NONE, str(none)
        except Unclear as unclear:
            verdict, reason = Verdict.INCONCLUSIVE, str(unclear)
            spoilt = isinstance(unclear, StoodStill)
        except CannotJudge:
            raise
        except KeyboardInterrupt:
            self._keep_broken(case)
            raise
        except Exception:  # noqa: BLE001 - a fault of the kit must not pass for one of the node
            verdict, reason = Verdict.ERROR, traceback.format_exc()
        warnings = tuple(gather(one, self.fixture.log) for one in self.fixture.warnings)
        return Result(case, verdict, reason, evidence, warnings, judged=self._judged(case), spoilt=spoilt)

    def _keep_broken(self, case: Case) -> None:
        """Keep what a case had found broken before it was stopped."""
        broken = self.fixture.broken
        if broken is not None:
            evidence = gather(broken, self.fixture.log)
            self.results[case.id] = Result(
                case, Verdict.FAIL, str(broken), evidence, judged=self._judged(case)
            )

    def _judged(self, case: Case) -> dict[str, int]:
        """How often the case has judged what it is about."""
        return {id_: self.fixture.judged[id_] for id_ in case.requirements}


def _behind(breaches: tuple[Evidence, ...], result: Result) -> Result:
    """The result of a case, failed by what stands before all that its own checks came to."""
    first, own = breaches[0], (result.evidence,) if result.evidence is not None else ()
    besides = f"; besides: {result.reason}" if result.reason else ""
    return replace(
        result, verdict=Verdict.FAIL, reason=f"{first.requirement}: {first.seen}{besides}", evidence=first,
        breaches=(*breaches, *own), of_body=result.verdict,
    )  # fmt: skip


def by_id(cases: Iterable[Case]) -> dict[str, Case]:
    """Cases by their id."""
    return {case.id: case for case in cases}


def with_prerequisites(
    cases: dict[str, Case], only: Sequence[str] | None, roles: Collection[str]
) -> list[Case]:
    """The named cases, all that they rest on, and what brings about what they judge on a node of these roles.

    Every case for None. Raises KeyError.
    """
    wanted: set[str] = set()
    todo = list(cases if only is None else only)
    while todo:
        id_ = todo.pop()
        if id_ not in wanted:
            wanted.add(id_)
            todo.extend(cases[id_].after)
            occasions = (cases[one] for one in cases[id_].occasions if one in cases)
            todo.extend(one.id for one in occasions if set(one.roles) & set(roles))
    return [case for case in cases.values() if case.id in wanted]


def order(cases: Collection[Case], roles: Collection[str]) -> list[Case]:
    """Prerequisites that nodes of these roles have first, else as given; raises graphlib.CycleError.

    Cases that wait together come behind all others that send, and passive ones last.
    """
    known = by_id(cases)
    own = {id_ for id_, case in known.items() if set(case.roles) & set(roles)}
    sorter = TopologicalSorter({c.id: [id_ for id_ in c.after if id_ in own] for c in known.values()})
    sorter.prepare()
    place = {id_: number for number, id_ in enumerate(known)}
    ordered: list[Case] = []
    ready: set[str] = set()
    while sorter.is_active():
        ready |= set(sorter.get_ready())
        first = min(ready, key=place.__getitem__)
        ready.remove(first)
        sorter.done(first)
        ordered.append(known[first])
    # No case rests on one that waits or is passive, unless it waits or is passive too.
    return sorted(ordered, key=lambda case: (case.passive, case.quiet))


def not_selected(case: Case, fixture: Fixture, selection: Selection) -> str:
    """Why a case is not run on this node, by the site file's statement and the user's wish; '' if it is."""
    if not set(case.roles) & set(fixture.node.roles):
        return no_verdict.for_others(case.roles)
    if case.since > fixture.minor:
        spec = fixture.spec
        newer, said = spec.dotted(case.since), spec.dotted(fixture.minor)
        return f"{NOT_OF_ITS_VERSION}: it asks for what protocol {newer} brought, and the node says {said}"
    if case.moves and not selection.motion:
        return no_verdict.MOVES
    if case.mode == "bench" and not fixture.on_bench:
        return "the node is in service, and this needs one on the bench"
    if case.mode == "service" and fixture.on_bench:
        return "the node is on the bench, and this needs one in service"
    if case.serial and fixture.bench.line is None:
        return "the node is on no serial line (--serial)"
    if case.restarts and not fixture.bench.can_restart:
        return "there is no way to reset the node"
    return case.applies(fixture.site, fixture.node)
