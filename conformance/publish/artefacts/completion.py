"""Scripts with which bash, zsh and fish complete commands and options; click writes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import click

PROGRAM = "yardwire"
VARIABLE = "_YARDWIRE_COMPLETE"
"""The variable by which click is asked to complete."""

BETTER = {
    # Its variables stay within the function.
    "bash": (("    local response\n", "    local response completion type value\n"),),
    # A start-up file that has not loaded zsh's completion yet has no `compdef`.
    "zsh": (
        (
            "    compdef _yardwire_completion",
            "    (( $+functions[compdef] )) || { autoload -Uz compinit && compinit }\n    compdef _yardwire_completion",
        ),
    ),
    # A description may have commas.
    "fish": (('string split "," $completion', 'string split --max 1 "," $completion'),),
}
"""By shell: what click writes, and what stands there instead. A click that writes it otherwise is left as it is."""


def completion_scripts(group: click.Command) -> dict[str, str]:
    """Path to text of a script for each shell."""
    from click.shell_completion import FishComplete, ShellComplete, ZshComplete, get_completion_class

    bash = get_completion_class("bash")
    assert bash is not None
    made: dict[str, str] = {}
    for shell, kind in (("bash", bash), ("zsh", ZshComplete), ("fish", FishComplete)):
        # Of the base class: that of bash runs the bash of this machine, to see how old it is.
        script = ShellComplete.source(kind(group, {}, PROGRAM, VARIABLE))
        for click_s, better in BETTER[shell]:
            script = script.replace(click_s, better)
        made[f"completion/{PROGRAM}.{shell}"] = script.strip() + "\n"
    return made
