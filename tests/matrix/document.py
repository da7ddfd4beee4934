"""Writes docs/matrix.md: what was caught, named first and survived, requirement by context, from what was recorded."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from tests.faulty_nodes.matrix.plan import planned as nodes
from tests.faulty_supervisors.matrix.plan import planned as supervisors
from tests.matrix.outcome import CAUGHT, EITHER, EQUIVALENT, ROOT, SURVIVED, Outcome

PAGE = ROOT / "docs" / "matrix.md"
SEEDS = 5
RECORDED = ROOT / "tests" / "matrix" / "recorded.json"
REASONS = ROOT / "tests" / "matrix" / "survivors.toml"
PLANS: dict[str, Callable[[], Sequence[Any]]] = {"nodes": nodes, "supervisors": supervisors}

COLUMNS = {
    "always": ("always",),
    "connection": ("link-2", "link-3"),
    "job": ("job-2", "job-3"),
    "after a job": ("after-done", "after-failed", "after-cancelled", "after-refused"),
    "state": ("idle", "moving", "held"),
    "history": (
        "resumed",
        "faulted",
        "reset",
        "bad",
        "claimed-2",
        "claim-2",
        "boot-2",
        "arrival-2",
        "stop-2",
    ),
    "link and words": ("json", "cbor", "wrap", "silent", "lost", "other-node"),
}
TWO = "two at once"

HEAD = """# Faulty nodes by context

[The kill matrix](kill-matrix.md) shows what each case catches. This page asks the other question: of breaches that
show only *in a context*, how many does the whole suite find? A breach bends what a shipped node or supervisor hears,
says or does where its context holds, and leaves it alone elsewhere. Breaches are crossed with contexts, by a covering
array (NIST SP 800-142, strength 2) where the product is too large. All on virtual time, in the site `harlow-basin`.

- *caught*: with each of five seeds a case of the suite fails (or warns, where what is broken is a SHOULD), or the walk
  that `conform` takes behind its cases finds a difference. The walk is tried where the cases catch nothing. *Named
  first*: the first that finds it names the
  requirement that is broken, as `conform` shows it on top. Some breaches go against two requirements as they are
  planted: the table at the end has each with its reason.
- *survived*: neither finds it with each seed, and it showed in a run; or neither comes where it would show, and a drive
  at random without a judge does.
- *equivalent*: neither a run nor that drive differs in a single byte, time or motor start from one without the breach.
  It is not counted. One that cannot reach its context is among these.

The breaches *from the pages* were written down, with their contexts, from the published pages alone, before one was
built or run (`from_pages.toml` in `tests/faulty_nodes/matrix/` and `tests/faulty_supervisors/matrix/`), and are counted
apart. A faulty supervisor is run in those cases in which its context comes about for one without a breach: in the
others it is that one. `make matrix` runs all, nodes and supervisors side by side, so that each kind of context has its
share wherever it is stopped, and goes on where it was stopped: it judges first what was never judged, then what was
judged by other code than the present one (of kit, specification, reference nodes and breach). `make test` runs a fixed
sample with one seed.
"""


def contexts_of(id_: str) -> tuple[str, ...]:
    """The contexts in an id."""
    return tuple(id_.rpartition("/")[2].split("+"))


def column_of(id_: str) -> str:
    """Under which heading an entry is counted."""
    when = contexts_of(id_)
    return TWO if len(when) > 1 else next(name for name, group in COLUMNS.items() if when[0] in group)


def share(part: int, whole: int) -> str:
    """A part of a whole in per cent."""
    return f"{part} of {whole} ({100 * part / whole:.1f} %)" if whole else "none"


def totals(outcomes: Sequence[Outcome]) -> tuple[int, int, int]:
    """Counted, caught, named first."""
    counted = [one for one in outcomes if one.counted]
    return len(counted), sum(one.caught for one in counted), sum(one.first for one in counted)


def summary(kind: str, outcomes: Mapping[str, Outcome]) -> list[str]:
    """The table of all, and of those from the pages."""
    plan = {one.id: one for one in PLANS[kind]()}
    head = "planned | judged | equivalent | counted | caught | named first | of these only by the walk"
    lines = [f"| faulty {kind} | {head} |", "|---|---|---|---|---|---|---|---|"]
    groups = {
        "all": list(plan),
        "from the pages": [id_ for id_, one in plan.items() if one.from_pages],
        "others": [id_ for id_, one in plan.items() if not one.from_pages],
    }
    for name, ids in groups.items():
        there = [outcomes[id_] for id_ in ids if id_ in outcomes]
        counted, caught, first = totals(there)
        lines.append(
            f"| {name} | {len(ids)} | {len(there)} | {len(there) - counted} | {counted} | "
            f"{share(caught, counted)} | {share(first, counted)} | {sum(one.walked for one in there)} |"
        )
    return [*lines, "", *_by_which(outcomes.values()), *_unfinished(plan, outcomes)]


def _unfinished(plan: Mapping[str, Any], outcomes: Mapping[str, Outcome]) -> list[str]:
    """What is not shown yet, in words; nothing where all is."""
    caught = [one for one in outcomes.values() if one.state == CAUGHT]
    five = sum(one.tried >= SEEDS for one in caught)
    told = []
    if len(outcomes) < len(plan):
        left = len(plan) - len(outcomes)
        part = "Those judged are a part drawn at random in which each node and kind of context has its share"
        told.append(f"**Not finished:** {left} are still to be judged. {part}; no one cell is a verdict.")
    if five < len(caught):
        told.append(
            f"Only {five} of the {len(caught)} caught were run with all five seeds, the others with fewer."
        )
    return [*told, ""] if told else []


def _by_which(outcomes: Iterable[Outcome]) -> list[str]:
    """By which code they were judged, most first."""
    kits = Counter(one.revision.partition("-")[0] or "one that was not noted" for one in outcomes)
    told = "; ".join(f"`{kit}`: {number}" for kit, number in kits.most_common())
    return [f"Judged by the code whose digest is: {told}.", ""] if told else []


def matrix(outcomes: Iterable[Outcome]) -> list[str]:
    """Requirement by context: caught, of these named first, survived."""
    cells: dict[tuple[str, str], list[Outcome]] = {}
    for one in outcomes:
        if one.counted:
            cells.setdefault((one.requirement, column_of(one.id)), []).append(one)
    columns = [*COLUMNS, TWO]
    lines = ["| requirement | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    for requirement in sorted({requirement for requirement, _ in cells}):
        row = []
        for column in columns:
            there = cells.get((requirement, column), [])
            counted, caught, first = totals(there)
            row.append(f"{caught} / {first} / {counted - caught}" if there else "")
        lines.append(f"| {requirement} | " + " | ".join(row) + " |")
    return lines


def reasons() -> dict[str, str]:
    """Breach, or breach with its context, to why it survives and what would catch it."""
    return tomllib.loads(REASONS.read_text()) if REASONS.exists() else {}


def survivors(kind: str, outcomes: Mapping[str, Outcome]) -> list[str]:
    """Each with its reason, or 'open'."""
    known = reasons()
    says = {one.id: one.says for one in PLANS[kind]()}
    lines = ["| survivor | breaks | where | reason |", "|---|---|---|---|"]
    for id_, one in sorted(outcomes.items()):
        if one.caught or not one.counted:
            continue
        breach = id_.partition("/")[0]
        bare = breach.partition("@")[0].partition("+")[0]
        reason = known.get(id_) or known.get(breach) or known.get(bare) or "open"
        where = "shows in a run" if one.state == SURVIVED else "not visited"
        where += "; the walk passes" if one.walk else ""
        where += f", caught with {one.seeds} of 5 seeds" if one.seeds else ""
        lines.append(f"| `{id_}`: {says[id_]} | {one.requirement} | {where} | {reason} |")
    return lines if len(lines) > 2 else ["None."]


def page(outcomes: Mapping[str, Mapping[str, Outcome]]) -> str:
    """The whole page."""
    lines = [HEAD]
    for kind, there in outcomes.items():
        lines += [f"## Faulty {kind}", "", *summary(kind, there), ""]
        lines += ["Caught / of these named first / survived:", "", *matrix(there.values()), ""]
        lines += [f"### Survivors among {kind}", "", *survivors(kind, there), ""]
    lines += ["## Where either requirement is right", "", *two_ways()]
    return "\n".join(lines).rstrip() + "\n"


def two_ways() -> list[str]:
    """The breaches that go against more than one requirement, each with the reason."""
    says = {one.breach: (one.requirement, one.says) for plan in PLANS.values() for one in plan()}
    lines = ["| breach | breaks | and also | because |", "|---|---|---|---|"]
    for breach, others in sorted(EITHER.items()):
        requirement, what = says[breach]
        lines += [f"| `{breach}`: {what} | {requirement} | {id_} | {why} |" for id_, why in others.items()]
    return lines


def recorded() -> dict[str, dict[str, Outcome]]:
    """What the page was made from."""
    data: dict[str, dict[str, Any]] = json.loads(RECORDED.read_text())
    requirement = {kind: {one.id: one.requirement for one in plan()} for kind, plan in PLANS.items()}
    return {
        kind: {
            id_: Outcome(id_, requirement[kind][id_], *row)
            for id_, row in there.items()
            if id_ in requirement[kind]
        }
        for kind, there in data.items()
    }


def write(outcomes: Mapping[str, Mapping[str, Outcome]]) -> str:
    """Record outcomes and write the page, and give the figures; what is not among them is not kept."""
    rows = {
        kind: {
            id_: [one.state, one.case, one.named, one.seeds, one.tried, one.walk, one.crash, one.revision]
            for id_, one in sorted(there.items())
        }
        for kind, there in outcomes.items()
    }
    body = ",\n".join(
        f'"{kind}": {{\n'
        + ",\n".join(f"{json.dumps(id_)}: {json.dumps(row)}" for id_, row in there.items())
        + "\n}"
        for kind, there in rows.items()
    )
    RECORDED.write_text("{\n" + body + "\n}\n")
    PAGE.write_text(page(outcomes))
    states = {kind: Counter(one.state for one in there.values()) for kind, there in outcomes.items()}
    return (
        "\n".join(f"{kind}: {dict(count)}" for kind, count in states.items()) + f"\n{EQUIVALENT}: not counted"
    )
