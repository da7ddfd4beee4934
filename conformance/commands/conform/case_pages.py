"""The cases on a terminal: all in a list, or the page of one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from conformance.suite.case import Case


def listed(cases: Any) -> str:
    """Id and summary of every case, chapter by chapter."""
    import textwrap

    from protocol.specification import specification

    lines: list[str] = []
    chapter = ""
    for case in cases:
        if case.chapter != chapter:
            chapter = case.chapter
            lines += ["", chapter] if lines else [chapter]
        marks = " [moves]" if case.moves else ""
        marks += f" [since {specification().dotted(case.since)}]" if case.since else ""
        lines.append(f"  {case.id}{marks}")
        lines += textwrap.wrap(case.summary, 80, initial_indent="      ", subsequent_indent="      ")
    return "\n".join(lines)


def page(case: Case) -> str:
    """The page of one case: what it does, and the sentences that it checks."""
    import textwrap

    from conformance.publish.site.judged import JUDGE, is_judged, judged_in_every_case
    from protocol.specification import specification

    lines = [case.id, "=" * len(case.id), ""]
    for paragraph in case.page.split("\n\n"):
        lines += [*textwrap.wrap(paragraph, 80), ""]
    for id_ in case.requirements:
        requirement = specification().requirements[id_]
        lines += textwrap.wrap(
            f"{id_} ({requirement.level}) {requirement.says}", 80, subsequent_indent=" " * 8
        )
    if is_judged(case):
        all_of_it = (
            f"All that the node says in it is checked too, by {len(judged_in_every_case())} requirements: "
        )
        lines += textwrap.wrap(f"{all_of_it}'yardwire explain {JUDGE}' lists them.", 80)
    lines += ["", f"For: {', '.join(case.roles)}"]
    lines += [f"Rests on: {', '.join(case.after)}"] if case.after else []
    lines += [f"By its name run with: {', '.join(case.occasions)}"] if case.occasions else []
    lines += (
        [f"Asked of who says protocol {specification().dotted(case.since)} or later."] if case.since else []
    )
    lines += ["It moves the machine."] if case.moves else []
    lines += ["It needs a node on the bench."] if case.mode == "bench" else []
    lines += ["It is for a node in service only."] if case.mode == "service" else []
    lines += (
        ["It is judged from all that was seen; a complete run sends nothing for it."] if case.passive else []
    )
    lines += ["It resets the node."] if case.restarts else []
    return "\n".join(lines)
