"""The report for a terminal of 80 columns: a line when all is well, evidence where it is not."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from conformance.reports import causes, compare, completeness, first_cause, left_out, standstill, walk
from conformance.reports.counted import counted
from conformance.tester.result import IDENTITY
from conformance.tester.walk.walk_case import ID as WALK

WIDTH = 80
LONGEST_IN_LIST = 60
"""Of what was expected and of what was seen in the list at the end, where each failure takes two or three lines."""
LINES_BESIDE = 2
"""Of a message beside the one that shows it: what the finding is about stands first in it."""
SHOWN = {"fail": "FAIL", "inconclusive": "INCONCLUSIVE", "error": "ERROR OF THE KIT"}


def render(report: Mapping[str, Any]) -> str:
    """The whole report."""
    return "\n".join(_lines(report))


def _lines(report: Mapping[str, Any]) -> Iterator[str]:
    behind = causes.folded(report)
    yield from _first_cause(report, behind)
    yield from _identity(report, behind.get(IDENTITY, ()))
    for case in report["cases"]:
        if case["verdict"] in SHOWN and causes.stands_alone(case, behind):
            yield from block(case, behind.get(case["id"], ()))
        for warning in case["warnings"]:
            yield f"warning  {case['id']}: a SHOULD is broken"
            yield from evidence_lines(warning)
            yield ""
    yield from _summary(report)
    yield from _wrapped("", verdict(report))
    yield from _closing(report, behind)


def verdict(report: Mapping[str, Any]) -> str:
    """What all came to: what people saw broken keeps the node from conforming too."""
    seen = [
        one["requirement"] for one in report["people"] if one["answer"] == "no" and one["level"] == "MUST"
    ]
    if report["verdict"] == "pass" and seen:
        return f"verdict: pass by all cases, and not conformant by what a person said of {', '.join(seen)}"
    return f"verdict: {report['verdict']}{'' if report['verdict'] in ('pass', 'fail') else ', which is not a pass'}"


def _first_cause(report: Mapping[str, Any], behind: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Where to begin, above all else."""
    failed = first_cause.failed(report, behind)
    case = first_cause.first(failed, report)
    if case is None:
        return
    why = first_cause.perhaps(case)
    told = first_cause.in_short(case) + (f"; perhaps {why}" if why else "")
    yield from _wrapped_at("FIRST CAUSE  ", told, break_on_hyphens=False)
    if others := first_cause.others(failed):
        yield f"  {others}"
    yield f"  fix: begin with it; 'yardwire explain {case['id']}' says what it checks"
    yield ""


def _closing(report: Mapping[str, Any], behind: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Every failure in short, at the end, where a long report is still on the screen."""
    failed = first_cause.failed(report, behind)
    if failed:
        yield f"failed: {len(failed)}"
    for case in failed:
        yield from textwrap.wrap(
            first_cause.in_short(case, LONGEST_IN_LIST),
            WIDTH,
            initial_indent="  ",
            subsequent_indent="    ",
            break_on_hyphens=False,
        )


def _identity(report: Mapping[str, Any], behind: Sequence[str]) -> Iterator[str]:
    """What the node says that it is, and above all verdicts in what it is not what was asked for."""
    told = report["identity"]
    well = not told["differences"] and not any(case["verdict"] in SHOWN for case in report["cases"])
    if told["says"] and not well:
        yield from _wrapped_at(f"{report['node']} says: ", told["says"])
        yield ""
    for difference in told["differences"]:
        yield from _wrapped_at("FIRST    ", difference["text"])
        yield from _wrapped("do", difference["do"])
        if rule := causes.follows(difference):
            yield from _wrapped("rule", rule)
        yield ""
    if behind:
        yield from _folded(behind)
        yield ""


def block(case: Mapping[str, Any], behind: Sequence[str] = ()) -> Iterator[str]:
    """Verdict, id and evidence of one case that did not pass, and the cases that came to nothing because of it."""
    yield f"{SHOWN[case['verdict']]}  {case['id']}"
    if case["evidence"] is None:
        yield from _wrapped("", case["reason"])
    else:
        yield from evidence_lines(case["evidence"])
    for breach in case["breaches"]:
        if breach != case["evidence"]:
            yield from _wrapped("also", f"{breach['requirement']}: {breach['seen']}")
    if behind:
        yield from _folded(behind)
    yield ""


def evidence_lines(evidence: Mapping[str, Any]) -> Iterator[str]:
    """Sentence, expected against seen, causes, and what passed just then."""
    yield from _wrapped(evidence["requirement"], evidence["sentence"])
    yield from _wrapped("expected", evidence["expected"])
    yield from _wrapped("seen", evidence["seen"])
    for cause in evidence["causes"]:
        yield from _wrapped("perhaps", cause)
    lines = evidence["lines"]
    if lines:
        yield "  what passed just then (ms before the last line; > to the node, < from it):"
    for line in lines:
        mark = "*" if line["marked"] else " "
        arrow = "<" if line["from_node"] else ">"
        ago = line["at_ms"] - lines[-1]["at_ms"]
        text = f"  {mark}{ago:8.0f} {arrow} {_subject(line)} {line['text']}"
        yield from textwrap.wrap(
            text,
            WIDTH,
            subsequent_indent=" " * 14,
            break_on_hyphens=False,
            max_lines=None if line["marked"] else LINES_BESIDE,
            placeholder=" ...",
        )


def _subject(line: Mapping[str, Any]) -> str:
    """Whose message it is, and which."""
    return f"{line['node']} {line['name']}" if line["node"] else str(line["name"])


def _folded(behind: Sequence[str]) -> list[str]:
    return _wrapped("", causes.line(behind), break_on_hyphens=False)


def _wrapped_at(head: str, text: str, *, break_on_hyphens: bool = True) -> list[str]:
    return textwrap.wrap(f"{head}{text}", WIDTH, subsequent_indent="  ", break_on_hyphens=break_on_hyphens)


def _wrapped(label: str, text: str, *, break_on_hyphens: bool = True) -> list[str]:
    """A paragraph behind its label; ids are kept whole where it does not break on hyphens."""
    head = f"  {label:<9}" if label else "  "
    lines = textwrap.wrap(
        text, WIDTH, initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=break_on_hyphens
    )
    return lines or [head.rstrip()]


def _counted(report: Mapping[str, Any]) -> str:
    """Who was judged, and how many cases ended how."""
    counts = report["counts"]
    judged = completeness.judged(report)
    words = {
        word: f"{counts[word]} {word}" for word in ("pass", "inconclusive", "fail", "error") if counts[word]
    }
    known = {case["id"] for case in report["cases"]}
    caused = sum(case["verdict"] == "inconclusive" and case["cause"] in known for case in report["cases"])
    if caused:
        words["inconclusive"] += f" ({caused} because of another case)"
    parts = list(words.values())
    warnings = sum(len(case["warnings"]) for case in report["cases"])
    parts += [counted(warnings, "warning")] if warnings else []
    stopped = (
        "" if report["complete"] else f" of {judged + len(report['not_reached'])}, stopped before its end"
    )
    who = f"{report['node']} ({', '.join(report['roles'])})"
    return f"{who}: {counted(judged, 'case')}{stopped}: {', '.join(parts) or 'none judged'}"


def _summary(report: Mapping[str, Any]) -> Iterator[str]:
    yield from _wrapped_at("", _counted(report), break_on_hyphens=False)
    for told in completeness.caveats(report):
        yield from _wrapped("", told)
    if report["judged"]:
        times = sum(report["judged"].values())
        often = f"{counted(times, 'time')}, by {counted(len(report['judged']), 'requirement')}"
        yield f"  all that was said was judged too: {often}"
    if report.get("walk"):
        earlier = any(case["id"] == WALK and case["taken_over"] for case in report["cases"])
        yield from walk.lines(report["walk"], earlier=earlier)
    for note in report["notes"]:
        yield from _wrapped("note", note)
    if still := standstill.line(report):
        yield from _wrapped("note", still, break_on_hyphens=False)
    yield from _how_it_was_run(report)
    yield from _people(report["people"])
    if "since" in report:
        yield from compare.lines(report)


def _how_it_was_run(report: Mapping[str, Any]) -> Iterator[str]:
    """What the options of the run have to do with its verdicts."""
    for told in left_out.lines(report):
        yield from _wrapped("", told, break_on_hyphens=False)
    if report["slow"] != 1:
        yield f"  every limit in time was stretched by {report['slow']:g} (--slow)"
    if taken := sum(case["taken_over"] for case in report["cases"]):
        what = "1 verdict is that" if taken == 1 else f"{taken} verdicts are those"
        yield f"  {what} of the earlier run (--resume)"


def _people(people: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What people said; nothing where nobody was asked."""
    for one in people:
        if one["answer"] == "no":
            yield from _wrapped("no", f"{one['requirement']} ({one['kind']}): {one['sentence']}")
    for kind in dict.fromkeys(one["kind"] for one in people):
        answers = Counter(one["answer"] for one in people if one["kind"] == kind)
        if set(answers) != {"not asked"}:
            yield f"  {kind}, not tested: {', '.join(f'{n} {word}' for word, n in answers.items())}"
