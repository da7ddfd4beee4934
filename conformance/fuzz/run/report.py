"""What a run of the fuzzer has shown, as data and as text of at most 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from conformance.fuzz.run.campaign import Campaign, FindingGroup
from protocol.specification import specification
from protocol.validation import read_message

FORMAT = "yardwire-fuzz/1"
WIDTH = 80
LABEL = 11


def document(
    campaign: Campaign,
    files: Mapping[str, Path],
    *,
    complete: bool,
    fixed: Sequence[Path] = (),
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """The run as plain data; `files` are recordings by the key of their group, `fixed` those that show nothing now."""
    options, fixture = campaign.options, campaign.trial.fixture
    return {
        "format": FORMAT,
        "site": fixture.site.name,
        "node": fixture.name,
        "seed": options.seed,
        "motion": options.motion,
        "rate": options.rate,
        "only": list(options.kinds),
        "next_round": campaign.case_order.round + 1,
        "cases": campaign.cases,
        "seconds": round(campaign.seconds, 1),
        "complete": complete,
        "ended": campaign.ended,
        "findings": [_row(found, files.get(key)) for key, found in campaign.found.items()],
        "notes": list(notes),
        "fixed": [str(path) for path in fixed],
    }


def _row(found: FindingGroup, file: Path | None) -> dict[str, Any]:
    finding = found.finding
    return {
        "requirement": finding.requirement,
        "requires": specification().requirements[finding.requirement].says,
        "seen": finding.what,
        "oracle": finding.oracle.value,
        "case": found.says,
        "flaw": flaw(found),
        "steps": len(found.steps),
        "messages": len(found.came),
        "shows_again": found.repeats,
        "times": found.times,
        "cases": found.cases,
        "seconds": round(found.seconds, 1),
        "file": str(file) if file else "",
    }


def flaw(found: FindingGroup) -> str:
    """What is wrong with the one order of a short case, where it is one that cannot be read; else ''."""
    if len(found.steps) != 1:
        return ""
    for message in found.came:
        if not message.body and (
            findings := read_message("job-order", message.payload, closed=False).findings
        ):
            return findings[0].what
    return ""


def render(report: Mapping[str, Any]) -> str:
    """The report for a terminal."""
    motion = "motion allowed" if report["motion"] else "no motion"
    head = f"{report['node']}: {report['cases']:,} cases in {report['seconds']:,.0f} s, seed {report['seed']}, {motion}"
    lines = [head]
    if not report["complete"]:
        lines.append("stopped before its end")
    number = len(report["findings"])
    nothing = "nothing found"
    if not report["cases"]:
        nothing = "nothing was tried, so nothing is shown"
    elif not report["complete"] or report["ended"]:
        nothing = "nothing found before it ended, which shows little"
    lines.append(nothing if not number else f"{number} finding{'s' if number > 1 else ''}")
    for count, row in enumerate(report["findings"], 1):
        lines += ["", *_told(count, row)]
    if report["fixed"]:
        names = ", ".join(Path(path).name for path in report["fixed"])
        lines += ["", *textwrap.wrap(f"Shows nothing any more: {names}", WIDTH)]
    for note in report["notes"]:
        lines += ["", *textwrap.wrap(f"Note: {note}", WIDTH)]
    if report["ended"]:
        lines += ["", *textwrap.wrap(f"Ended early: {report['ended']}.", WIDTH)]
    return "\n".join(lines)


def _told(count: int, row: Mapping[str, Any]) -> list[str]:
    times = f" ({row['times']} times)" if row["times"] > 1 else ""
    lines = textwrap.wrap(
        f"{count}. {row['requirement']}: {row['seen']}{times}", WIDTH, subsequent_indent="   "
    )
    case = f"{row['case']}: {row['flaw']}" if row["flaw"] else row["case"]
    again = (
        "yes, on a node started afresh"
        if row["shows_again"]
        else "not seen; the case is what was played last"
    )
    for label, text in (
        ("case", case),
        ("noticed by", row["oracle"]),
        ("required", row["requires"]),
        ("again", again),
        ("first", f"after {row['cases']:,} cases, {row['seconds']:,.0f} s"),
        ("recording", f"{Path(row['file']).name}, {row['messages']} messages" if row["file"] else "none"),
    ):
        indent = " " * (4 + LABEL)
        lines += textwrap.wrap(text, WIDTH, initial_indent=f"   {label:{LABEL}} ", subsequent_indent=indent)
    return lines
