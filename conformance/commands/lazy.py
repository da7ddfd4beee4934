"""A click group whose subcommands are imported only when one of them is run.

`yardwire --help` has to answer at once, while a schema validator, an MQTT client and a broker take most of a
second to import. So the help of each command is a line in a table, not a docstring in a module that would
have to be loaded for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import click


@dataclass(frozen=True, slots=True)
class LazyCommand:
    """Where a subcommand lives, as `module:attribute`, and its one line of help."""

    target: str
    summary: str

    def load(self) -> click.Command:
        """Import the module and return its command.

        Raises TypeError when the target is no click command.
        """
        module_name, _, attribute = self.target.partition(":")
        command = getattr(import_module(module_name), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(f"{self.target} is a {type(command).__name__}, not a click command")
        return command


class LazyGroup(click.Group):
    """A group over a table of `LazyCommand`, listed in the table's order."""

    def __init__(self, *args: Any, table: Mapping[str, LazyCommand], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._table = table

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that the first argument names; for a wrong name, suggest the nearest one.

        Raises click.UsageError for an unknown name.
        """
        name = args[0]
        if name not in self._table and not name.startswith("-") and not ctx.resilient_parsing:
            from difflib import get_close_matches

            near = get_close_matches(name, self._table, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"the commands are: {', '.join(self._table)}"
            raise click.UsageError(f"there is no command '{name}'; {hint}", ctx)
        return super().resolve_command(ctx, args)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the table, the order in which a newcomer needs them."""
        return list(self._table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command, or None when the table has no such name."""
        entry = self._table.get(cmd_name)
        return entry.load() if entry else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands from the table alone; nothing is imported for it."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.summary) for name, entry in self._table.items()])
