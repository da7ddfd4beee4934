"""How a supervised yard ended, told on the terminal or as JSON, and the exit code of that."""

from __future__ import annotations

import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from conformance.commands.terminal.quiet import say_result
from conformance.commands.terminal.width import width

if TYPE_CHECKING:
    from reference_node.scenario.scenario import Scenario
    from reference_node.scenario.story import Outcome


def told_at_its_end(scenario: Scenario, outcome: Outcome, as_json: bool) -> int:
    """Tell how a scenario ended; gives the exit code."""
    if as_json:
        from conformance.commands.options import json_output

        code = 1 if outcome.wrong else 0
        json_output.tell(
            {"title": scenario.title, **asdict(outcome)}, exit_code=code, verdict=json_output.judged(code),
            findings=[json_output.finding(what, where=scenario.title) for what in outcome.wrong],
        )  # fmt: skip
        return code
    click.echo(indented("", scenario.title))
    for line in outcome.log:
        click.echo(indented(" " * 9, line))
    return summed_up(outcome)


def summed_up(outcome: Outcome) -> int:
    """Tell what became of the goals, behind what was told on the way; gives the exit code."""
    met = "all goals met" if outcome.met else "not all goals met"
    jobs = f"{outcome.jobs} {'job' if outcome.jobs == 1 else 'jobs'}"
    say_result(f"{met} after {outcome.took_ms / 1000:.1f} s; {jobs}, {outcome.failed} failed or unknown")
    for goal in outcome.open:
        click.echo(indented("  ", f"  not met: {goal}"))
    for why in () if outcome.met else outcome.waiting:
        click.echo(indented("  ", f"  waits: {why}"))
    for alarm in outcome.alarms:
        click.echo(indented("  ", f"  alarm: {alarm}"))
    for what in outcome.wrong:
        click.echo(indented("  ", f"  not as expected: {what}"))
    click.echo("not as the scenario expects" if outcome.wrong else "as the scenario expects")
    return 1 if outcome.wrong else 0


def indented(indent: str, text: str) -> str:
    """The text within the terminal's width, its further lines behind the indent."""
    import textwrap

    return textwrap.fill(
        text, width(sys.stdout), subsequent_indent=indent, drop_whitespace=True, break_on_hyphens=False
    )


def told_by_hand(outcome: Outcome, under_way: list[str]) -> int:
    """Say what was wanted and was not seen to be so; gives the exit code."""
    for goal in outcome.open:
        click.echo(indented("  ", f"  not met: {goal}"))
    for job in under_way:
        click.echo(indented("  ", f"  no word of its end: {job}"))
    return 1 if outcome.open or under_way else 0
