"""Manual pages for `man`, one a command, from what the commands say of themselves."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from conformance.publish.site.manual import Command, Part

EXIT_CODES = (
    ("0", "fine"),
    ("1", "not conformant, not shown to be, not valid, or different"),
    ("2", "could not run"),
    ("130", "stopped by Ctrl-C; by another signal: 128 and its number"),
)

LONGEST = 68
"""Columns for an example on a terminal of 80."""


def man_pages(commands: Sequence[Command], version: str) -> dict[str, str]:
    """Path to text: `man/man1/yardwire.1`, and `yardwire-COMMAND.1` for each command.

    The language is that of groff_man(7); `version` stands in the foot.
    """
    pages = {"man/man1/yardwire.1": "\n".join(_overview(commands, version)) + "\n"}
    for command in commands:
        path = f"man/man1/yardwire-{command.name}.1"
        pages[path] = "\n".join(_page(command, version)) + "\n"
    return pages


def _escaped(text: str) -> str:
    """Text in which roff finds no command and no escape (groff_man(7), 'Portability')."""
    text = text.replace("\\", r"\(rs").replace("-", r"\-").replace("'", r"\(aq").replace("`", r"\(ga")
    return f"\\&{text}" if text.startswith(".") else text


def _overview(commands: Sequence[Command], version: str) -> Iterator[str]:
    yield from _title("yardwire", version)
    yield from (
        ".SH NAME",
        r"yardwire \- controllers of a miniature container terminal, their bus and its tests",
    )
    yield from (".SH SYNOPSIS", ".B yardwire", r".I COMMAND", r"[OPTIONS] [ARGS]")
    yield ".SH COMMANDS"
    for command in commands:
        yield from (".TP", f".BR {_escaped(f'yardwire-{command.name}')} (1)", _escaped(command.summary))
    yield from _foot()


def _page(command: Command, version: str) -> Iterator[str]:
    first = command.parts[0]
    yield from _title(f"yardwire-{command.name}", version)
    yield from (".SH NAME", rf"yardwire\-{_escaped(command.name)} \- {_escaped(command.summary.rstrip('.'))}")
    yield from (".SH SYNOPSIS", f".B {_escaped(first.usage)}")
    yield ".SH DESCRIPTION"
    yield from _part(first, ".SH")
    for part in command.parts[1:]:
        yield from (f'.SH "{_escaped(part.usage)}"',)
        yield from _part(part, ".SS")
    yield from _foot()
    yield from (".SH SEE ALSO", r".BR yardwire (1)")


def _part(part: Part, heading: str) -> Iterator[str]:
    for number, paragraph in enumerate(part.text):
        if number:
            yield ".PP"
        yield _escaped(paragraph)
    if part.options:
        yield f"{heading} OPTIONS"
        for option, told in part.options:
            yield from (".TP", f".B {_escaped(option)}", _escaped(told))
    if part.examples:
        yield f"{heading} EXAMPLES"
        yield ".EX"
        for example in part.examples:
            yield from map(_escaped, _lines_of(example))
        yield ".EE"


def _lines_of(example: str) -> list[str]:
    """A command line in lines that fit, each but the last with a backslash at its end; broken before options only."""
    lines = [""]
    for piece in re.split(r" (?=--)", example):
        if lines[-1] and len(lines[-1]) + len(piece) > LONGEST:
            lines[-1] += " \\"
            lines.append(f"  {piece}")
        else:
            lines[-1] += f" {piece}" if lines[-1] else piece
    return lines


def _foot() -> Iterator[str]:
    yield '.SH "EXIT STATUS"'
    for code, meaning in EXIT_CODES:
        yield from (".TP", f".B {code}", _escaped(meaning))


def _title(name: str, version: str) -> Iterator[str]:
    yield f'.TH "{_escaped(name.upper())}" 1 "" "yardwire {version}" "Yardwire"'
    yield from (".nh", ".ad l")  # An option or a file name that is broken by a hyphen is another one.
