"""`yardwire measure` with its tasks."""

from __future__ import annotations

import click

from conformance.commands.lazy import LazyCommand, LazyGroup

TASKS = {
    "collect": LazyCommand(
        "conformance.commands.measure.collect.command:collect", "Collect pairs with the machine itself."
    ),
    "table": LazyCommand(
        "conformance.commands.measure.table:table", "Make the table of a crane over a track."
    ),
    "verify": LazyCommand(
        "conformance.commands.measure.verify:verify",
        "Say whether a written table holds what was stated of it.",
    ),
    "pairs": LazyCommand("conformance.commands.measure.pairs:pairs", "Print the pairs that recordings hold."),
    "budget": LazyCommand(
        "conformance.commands.measure.budget:budget", "Say whether boxes land on the wagon."
    ),
    "sensor": LazyCommand(
        "conformance.commands.measure.sensor:sensor", "Say where the arming sensor may sit."
    ),
}


@click.command(cls=LazyGroup, table=TASKS)
def measure() -> None:
    """Measure a crane over a track once, and know how far off it may be.

    The task collect moves the crane and trains as you say; nothing moves with the others, which read files. The tasks
    table, verify and budget need numpy and scipy: pip install 'yardwire[measure]'.

    Example: yardwire measure table pairs.csv --site site.toml
    """
