"""Manual pages and completion scripts that are published work in the programs they are for."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete

from conformance.commands import main
from conformance.commands.main import COMMANDS
from conformance.publish.artefacts.completion import BETTER, completion_scripts
from conformance.publish.artefacts.man_pages import man_pages
from conformance.publish.site.manual import Command, Part
from protocol.site_file import scenario_text
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
        for command in every_command(lazy.load()):
            options = [one for p in command.params if isinstance(p, click.Option) for one in p.opts]
            assert [option for option in options if option not in shown] == [], (name, command.name)
        assert f"yardwire {name}" in shown.partition("EXAMPLES")[2], name


def every_command(command: click.Command) -> Iterator[click.Command]:
    """A command and all below it."""
    yield command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from every_command(inner)


def test_a_command_with_commands_below_it_names_each_on_its_page(published: Path) -> None:
    for name, lazy in COMMANDS.items():
        page = unescape((published / "commands" / f"{name}.html").read_text("utf-8"))
        found = [one for one in every_command(lazy.load()) if isinstance(one, click.Group)]
        for below in (inner for group in found for inner in group.list_commands(click.Context(group))):
            assert f"yardwire {name} {below}" in page, below
    assert "yardwire runs mark [OPTIONS] RUN" in unescape(
        (published / "commands" / "runs.html").read_text("utf-8")
    )


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


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("conform si", {"siding"}),
        ("node f", {"ferry"}),
        ("conform --only berth-empty", {"berth-empty-refuses"}),
        ("conform --explain wal", {"walk"}),
        ("explain clear_m", {"clear_ms"}),
        ("supervise 04", {"04-one-train"}),
        ("runs ma", {"mark"}),
        ("conform nobody", set()),
    ],
)
def test_what_only_the_kit_knows_is_offered(
    words: str, offered: set[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(scenario_text(), "utf-8")
    monkeypatch.setenv("YARDWIRE_SITE", str(site))
    *before, begun = words.split()
    found = ShellComplete(main.cli, {}, "yardwire", "X").get_completions(before, begun)
    assert {one.value for one in found} == offered


def test_a_site_file_that_cannot_be_read_garbles_no_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for site in (tmp_path / "none.toml", tmp_path / "broken.toml"):
        (tmp_path / "broken.toml").write_text("site = [", "utf-8")
        monkeypatch.setenv("YARDWIRE_SITE", str(site))
        assert ShellComplete(main.cli, {}, "yardwire", "X").get_completions(["conform"], "si") == []


def test_zsh_and_fish_ask_by_the_same_variable(published: Path) -> None:
    for shell in ("zsh", "fish"):
        script = (published / "completion" / f"yardwire.{shell}").read_text(encoding="utf-8")
        assert f"_YARDWIRE_COMPLETE={shell}_complete" in script


@pytest.mark.parametrize("shell", BETTER)
def test_what_click_writes_is_made_better(shell: str) -> None:
    """Where click writes its script otherwise, what is replaced has to be looked for again."""
    script = completion_scripts(click.Group())[f"completion/yardwire.{shell}"]
    assert all(better.strip() in script for _, better in BETTER[shell])
