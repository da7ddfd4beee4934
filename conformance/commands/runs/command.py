"""`yardwire runs` with its tasks; without the name of one it lists."""

from __future__ import annotations

import click

from conformance.commands.lazy import LazyCommand, LazyGroup

TASKS = {
    "list": LazyCommand("conformance.commands.runs.list:list_runs", "List the runs of folders or files."),
    "export": LazyCommand(
        "conformance.commands.runs.export:export", "Write runs as Parquet, by site and day."
    ),
    "summary": LazyCommand(
        "conformance.commands.runs.summary:summary", "Sum up what was exported, a day a line."
    ),
    "merge": LazyCommand(
        "conformance.commands.runs.merge:merge", "Make one recording of those of a shared bus."
    ),
    "mark": LazyCommand("conformance.commands.runs.mark:mark", "Say something of a run: good, bad, a note."),
    "thin": LazyCommand(
        "conformance.commands.runs.thin:thin", "Take old recordings away, but for what matters."
    ),
}


class ListingGroup(LazyGroup):
    """A group whose first argument may be what is to be listed."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the task in where none is named."""
        if args and args[0] not in self._table and args[0] not in ctx.help_option_names:
            args = ["list", *args]
        return super().parse_args(ctx, args)


@click.command(cls=ListingGroup, table=TASKS)
def runs() -> None:
    """List the runs in recordings, and say something of them.

    A recording is cut where a run begins: at a supervisor's start, behind a goal that was met, or with the first of
    a given order of jobs. A run has a name that lasts, such as monday.ywrec#7, and every command that takes a
    recording takes a run.

    \b
    Examples:
      yardwire runs recordings/
      yardwire runs recordings/ --cut 'goal=siding depart' --json
      yardwire runs mark recordings/monday.ywrec#7 --good --note 'window open'
      yardwire show recordings/monday.ywrec#7
    """  # noqa: D301 - click wants the character itself
