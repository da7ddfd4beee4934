"""A file that a command is to write: a name, not '-', as standard output has what the command says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click


class OutputFile(click.Path):
    """The path of a file to write; '-' is refused before any work is done."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, dir_okay=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path. Raises BadParameter for '-'."""
        if str(value) == "-":
            self.fail("standard output has what the command says; write the name of a file", param, ctx)
        return super().convert(value, param, ctx)
