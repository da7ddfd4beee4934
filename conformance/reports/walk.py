"""The walk in a report: how far it came, the difference that ended it, and the machine that was walked, drawn."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from conformance.reports.counted import counted
from conformance.reports.diagram import Layout, plan
from conformance.suite.walk.desk import Desk
from conformance.tester.walk.walk import Walked
from protocol.transition_table import Table, Transition

WIDTH = 80
WORDS = {1: "transitions", 2: "pairs of transitions"}


def document(walked: Walked) -> dict[str, Any]:
    """All of a walk that is worth keeping, as plain data."""
    letters = walked.machine.letters
    broken = walked.broken
    return {
        "k": walked.k,
        "motion": walked.motion,
        "states": len(walked.machine.states),
        "letters": len(letters),
        "size": walked.size - walked.once,
        "walked": walked.walked,
        "steps": len(walked.trail),
        "jobs": walked.jobs,
        "took_ms": round(walked.took_ms),
        "missed": walked.missed,
        "dropped": walked.dropped,
        "broken": None if broken is None else broken.requirement,
        "at": None if broken is None or not walked.trail else place(walked.trail[-1][0]),
        "tried_again": walked.tried_again,
        "from_start": walked.from_start,
        "shortest": [
            {"state": str(desk), "letter": letter, "says": letters[letter].says}
            for desk, letter in walked.shortest
        ],
        "machine": _machine(walked),
    }


def place(desk: Desk) -> str:
    """A state as the drawing has it: held or not, and how the last job ended, are folded into one."""
    words = [" ".join(desk.machines)]
    words += [desk.act + (" past return" if desk.picked and desk.load else "")] if desk.open else []
    words += (
        [f"with {'a box' if desk.load == 'box' else 'load unsure'}"] if desk.load not in ("", "none") else []
    )
    return ", ".join(words)


def _machine(walked: Walked) -> dict[str, Any]:
    """States and edges of the drawing, and how much of each was walked."""
    size: Counter[str] = Counter()
    done: Counter[str] = Counter()
    edges: dict[tuple[str, str], list[str]] = {}
    for desk, outcomes in walked.machine.edges.items():
        for letter, found in outcomes.items():
            here, there = place(desk), place(found[0].next)
            size[here] += 1
            done[here] += (desk, letter) in walked.transitions
            known = edges.setdefault((here, there), [])
            if here != there and letter not in known:
                known.append(letter)
    return {
        "first": place(walked.machine.first),
        "states": [{"name": name, "transitions": size[name], "walked": done[name]} for name in size],
        "edges": [
            {"from": here, "to": there, "letters": letters}
            for (here, there), letters in edges.items()
            if here != there
        ],
    }


def drawing(report: Mapping[str, Any]) -> Layout:
    """The machine as a track plan, as the tables of the published site are drawn."""
    machine, at = report["machine"], report["at"]
    states = tuple(state["name"] for state in machine["states"])
    rows = tuple(
        Transition(edge["from"], ", ".join(edge["letters"]), "", edge["to"], ()) for edge in machine["edges"]
    )
    layout = plan(Table("walk", "The machine that was walked", states, machine["first"], (), rows))
    told = {
        state["name"]: f"{state['walked']} of {state['transitions']} walked" for state in machine["states"]
    }
    platforms = (
        replace(one, note=told[one.name], kind="broken" if one.name == at else one.kind)
        for one in layout.platforms
    )
    return replace(layout, platforms=tuple(platforms), staying=())


def lines(report: Mapping[str, Any], *, earlier: bool = False) -> Iterator[str]:
    """The walk on a terminal: one line where all is well, the shortest way to the difference where it is not.

    `earlier`: it was made in the run that this one goes on from.
    """
    what = "walk of the earlier run" if earlier else "walk"
    told = (
        f"{what}: {report['walked']} of {report['size']} {WORDS[report['k']]} of "
        f"{counted(report['states'], 'state')}, in {counted(report['steps'], 'step')} and "
        f"{report['took_ms'] / 1000:.0f} s"
    )
    told += "" if report["motion"] else ", with nothing that moves it"
    yield from textwrap.wrap(told, WIDTH, initial_indent="  ", subsequent_indent="    ")
    if report["broken"] is None:
        return
    if not report["shortest"]:
        told = "it did not show again when it was played again"
        yield f"  {told if report['tried_again'] else 'it was stopped before the way to the difference was short'}"
        return
    start = " from a start of the node" if report["from_start"] else ""
    yield f"  {report['broken']} shows so, the shortest way{start}:"
    for number, step in enumerate(report["shortest"], 1):
        yield from textwrap.wrap(
            f"{number:3}. {step['says']}  (in '{step['state']}')",
            WIDTH,
            initial_indent="  ",
            subsequent_indent="       ",
        )
