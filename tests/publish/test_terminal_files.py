"""Manual pages and completion scripts that are published work in the programs they are for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from conformance.commands.main import COMMANDS
from conformance.publish.artefacts.man_pages import man_pages
from conformance.publish.site.manual import Command, Part
from tests.needs import needs

GROFF = ("groff", "-man", "-ww", "-Tascii", "-P-c", "-P-b", "-P-u", "-P-o", "-rLL=80n")


def formatted(page: Path | str) -> str:
    """A page as `man` shows it, 80 columns wide. Fails where groff warns of anything."""
    source = page if isinstance(page, str) else page.read_text(encoding="utf-8")
    done = subprocess.run(GROFF, input=source, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return done.stdout


@needs("groff")
def test_every_command_has_a_page_that_groff_formats_without_a_warning(published: Path) -> None:
    folder = published / "man" / "man1"
    names = {path.name for path in folder.iterdir()}
    assert names == {"yardwire.1"} | {f"yardwire-{name}.1" for name in COMMANDS}
    for path in folder.iterdir():
        assert "EXIT STATUS" in formatted(path)
        assert max(map(len, formatted(path).splitlines())) <= 80, path


@needs("groff")
def test_every_option_and_example_stands_in_its_page(published: Path) -> None:
    for name, lazy in COMMANDS.items():
        shown = " ".join(formatted(published / "man" / "man1" / f"yardwire-{name}.1").split())
        options = [one for p in lazy.load().params if isinstance(p, click.Option) for one in p.opts]
        assert [option for option in options if option not in shown] == [], name
        assert f"yardwire {name}" in shown.partition("EXAMPLES")[2], name


@needs("groff")
@pytest.mark.parametrize(
    "text", ["'stale' at the start", ".SH is no heading", r"a \fB backslash", "`x` -- y^~"]
)
def test_nothing_in_a_text_is_a_command_to_roff(text: str) -> None:
    part = Part("a", "yardwire a", (text,), (text,), (("--x", text),))
    page = man_pages([Command("a", "Do.", (part,))], "1")["man/man1/yardwire-a.1"]
    assert " ".join(formatted(page).split()).count(text) == 3


def test_bash_completes_commands_and_options(published: Path) -> None:
    """In a real bash, with the script as it is published."""
    asked = f"""
        source {published / "completion" / "yardwire.bash"}
        COMP_WORDS=(yardwire expl); COMP_CWORD=1; _yardwire_completion yardwire; echo "${{COMPREPLY[@]}}"
        COMP_WORDS=(yardwire record --rotate); COMP_CWORD=2; _yardwire_completion yardwire; echo "${{COMPREPLY[@]}}"
    """
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "--norc", "-c", asked],
        env=os.environ | {"PATH": path},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    commands, options = done.stdout.splitlines()
    assert commands.split() == ["explain"]
    assert {"--rotate-size", "--rotate-every"} <= set(options.split())


def test_zsh_and_fish_ask_by_the_same_variable(published: Path) -> None:
    for shell in ("zsh", "fish"):
        script = (published / "completion" / f"yardwire.{shell}").read_text(encoding="utf-8")
        assert f"_YARDWIRE_COMPLETE={shell}_complete" in script
