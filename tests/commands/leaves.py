"""Every command that does something, by its words: 'runs list' and not 'runs'."""

from __future__ import annotations

import click


def leaves(command: click.Command, words: tuple[str, ...] = ()) -> dict[str, click.Command]:
    """Those of one command."""
    if not isinstance(command, click.Group):
        return {" ".join(words): command}
    ctx = click.Context(command)
    found: dict[str, click.Command] = {}
    for name in command.list_commands(ctx):
        inner = command.get_command(ctx, name)
        assert inner is not None
        found |= leaves(inner, (*words, name))
    return found
