"""The page of each command, taken from the command itself. A command without an example fails the build."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from protocol.trouble import Trouble

if TYPE_CHECKING:
    import click

_EXAMPLE = re.compile(r"Examples?:\s*")


@dataclass(frozen=True, slots=True)
class Part:
    """One command or subcommand: usage, its help, examples, arguments and options."""

    anchor: str
    usage: str
    text: tuple[str, ...]
    examples: tuple[str, ...]
    options: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Command:
    """One command with its subcommands."""

    name: str
    summary: str
    parts: tuple[Part, ...]


def manual(group: click.Group, context: click.Context) -> list[Command]:
    """Every command of `group`. Raises Trouble for one whose help has no example."""
    found = []
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None, name
        parts = tuple(_parts(command, f"yardwire {name}"))
        if not any(part.examples for part in parts):
            raise Trouble(
                f"'yardwire {name}' has no example in its help", fix="Add 'Example: ...' to its docstring"
            )
        found.append(Command(name, parts[0].text[0] if parts[0].text else "", parts))
    return found


def _parts(command: click.Command, path: str) -> Iterator[Part]:
    import click

    examples: list[str] = []
    text: list[str] = []
    for paragraph in re.sub(r"\\b|\x08", "", command.help or "").split("\n\n"):
        if found := _EXAMPLE.match(paragraph.strip()):
            examples += _examples(paragraph.strip()[found.end() :])
        elif paragraph.strip():
            text.append(" ".join(paragraph.split()))
    context = click.Context(command)
    yield Part(
        anchor=path.replace(" ", "-"),
        usage=" ".join((path, *command.collect_usage_pieces(context))),
        text=tuple(text),
        examples=tuple(examples),
        options=tuple(_options(command)),
    )
    if isinstance(command, click.Group):
        # By the group's own list: one that imports its commands late has them in no dictionary.
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None, name
            yield from _parts(inner, f"{path} {name}")


def _examples(lines: str) -> list[str]:
    """Command lines; one that goes on in the next line is put together."""
    return [part for part in re.split(r"\s+(?=yardwire )", " ".join(lines.split())) if part]


def _options(command: click.Command) -> Iterator[tuple[str, str]]:
    import click

    context = click.Context(command)
    for parameter in command.params:
        record = parameter.get_help_record(context)
        if isinstance(parameter, click.Option) and record is not None:
            yield record[0], " ".join(record[1].split())
