"""Scripts with which bash, zsh and fish complete commands and options; click writes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import click

PROGRAM = "yardwire"
VARIABLE = "_YARDWIRE_COMPLETE"
"""The variable by which click is asked to complete."""


def completion_scripts(group: click.Command) -> dict[str, str]:
    """Path to text of a script for each shell."""
    from click.shell_completion import FishComplete, ShellComplete, ZshComplete, get_completion_class

    bash = get_completion_class("bash")
    assert bash is not None
    made: dict[str, str] = {}
    for shell, kind in (("bash", bash), ("zsh", ZshComplete), ("fish", FishComplete)):
        # Of the base class: that of bash runs the bash of this machine, to see how old it is.
        script = ShellComplete.source(kind(group, {}, PROGRAM, VARIABLE))
        made[f"completion/{PROGRAM}.{shell}"] = script.strip() + "\n"
    return made
