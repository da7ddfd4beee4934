"""What the kit prints never commands a terminal; its own colour does, on a terminal alone."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from conformance.commands import main
from conformance.commands.options import settings
from conformance.commands.terminal import quiet
from conformance.commands.terminal.progress import Progress
from conformance.commands.terminal.streams import harmless_streams, linked, red
from conformance.commands.terminal.style import styled
from conformance.commands.terminal.width import wrapped
from protocol.site_file import scenario_text


class Screen(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


def printed(stream: io.StringIO, text: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(sys, "stdout", stream)
    with harmless_streams():
        sys.stdout.write(text)
    return stream.getvalue()


@pytest.fixture(autouse=True)
def a_terminal_that_can(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv(settings.PAGES, raising=False)
    monkeypatch.delenv("COLUMNS", raising=False)


def test_the_kit_s_own_red_is_red_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    # ECMA-48 8.3.117, SGR: 31 is red, 1 is bold, 0 is the default.
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert printed(Screen(), red("away"), monkeypatch) == "\x1b[31;1maway\x1b[0m"


def test_it_is_plain_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert printed(io.StringIO(), red("away"), monkeypatch) == "away"
    monkeypatch.setenv("NO_COLOR", "1")
    assert printed(Screen(), red("away"), monkeypatch) == "away"


def test_a_colour_in_what_somebody_else_has_said_is_spelt_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert printed(Screen(), "\x1b[31maway", monkeypatch) == "\\u001b[31maway"
    assert printed(Screen(), red("a\x1b[2Jb"), monkeypatch) == "\x1b[31;1ma\\u001b[2Jb\x1b[0m"


# ---------------------------------------------------------------- terminals that cannot, and links
def test_a_plain_terminal_gets_neither_colour_nor_link(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "dumb")
    assert printed(Screen(), red("a") + linked("b", "https://x"), monkeypatch) == "ab"


def test_a_link_is_one_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """OSC 8, as terminals that know it take it: ESC ] 8 ; ; URI ST text ESC ] 8 ; ; ST."""
    monkeypatch.setenv("TERM", "xterm-256color")
    told = printed(Screen(), linked("ORD-06", "https://x/y#ORD-06"), monkeypatch)
    assert told == "\x1b]8;;https://x/y#ORD-06\x1b\\ORD-06\x1b]8;;\x1b\\"
    assert printed(io.StringIO(), linked("ORD-06", "https://x"), monkeypatch) == "ORD-06"
    monkeypatch.setenv("TERM", "linux")
    assert printed(Screen(), linked("ORD-06", "https://x"), monkeypatch) == "ORD-06"


def test_a_link_in_what_somebody_else_has_said_is_spelt_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    evil = "\x1b]8;;https://evil\x1b\\here\x1b]8;;\x1b\\"
    assert "\x1b" not in printed(Screen(), evil, monkeypatch)
    told = printed(Screen(), linked(evil, "https://x"), monkeypatch)
    assert told.count("\x1b]8;;") == 2
    assert "\x1b]8;;https://evil" not in told


def test_ids_are_links_where_the_pages_are_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(settings.PAGES, "https://yard.example")
    told = printed(Screen(), styled("FAIL  x: ORD-06, XYZ-99"), monkeypatch)
    assert "\x1b]8;;https://yard.example/requirements.html#ORD-06\x1b\\ORD-06" in told
    assert "#XYZ-99" not in told, "there is no such page"
    monkeypatch.delenv(settings.PAGES)
    assert "]8;;" not in printed(Screen(), styled("FAIL  x: ORD-06"), monkeypatch)


def test_verdicts_are_in_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    text = "FAIL  orders-ask\n  FAIL is said here\nferry (shuttle): 3 cases: 2 pass, 1 fail"
    told = printed(Screen(), styled(text), monkeypatch)
    assert told == (
        "\x1b[31;1mFAIL\x1b[0m  orders-ask\n  FAIL is said here\n"
        "ferry (shuttle): 3 cases: \x1b[32m2 pass\x1b[0m, \x1b[31;1m1 fail\x1b[0m"
    )
    assert printed(io.StringIO(), styled(text), monkeypatch) == text


# ---------------------------------------------------------------- width
@pytest.mark.parametrize("columns", [40, 80])
def test_an_error_keeps_to_the_terminal(
    columns: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("NO_COLOR", "1")
    Path("site.toml").write_text(scenario_text())
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    assert main.run(["conform", "nobody"]) == 2
    lines = screen.getvalue().splitlines()
    assert max(map(len, lines)) <= columns
    assert len(lines) == {40: 3, 80: 2}[columns]
    assert " ".join(screen.getvalue().split()).startswith(
        "Error: site.toml: there is no node 'nobody' in it."
    )


def test_an_error_in_a_file_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    told = io.StringIO()
    monkeypatch.setattr(sys, "stderr", told)
    assert main.run(["explain", "n" * 100]) == 2
    assert len(told.getvalue().splitlines()) == 1


def test_an_error_in_a_file_is_one_line_which_a_log_can_be_searched_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    told = io.StringIO()
    monkeypatch.setattr(sys, "stderr", told)
    assert main.run(["explain", "n" * 40]) == 2
    (line,) = told.getvalue().splitlines()
    assert len(line) > 60


def test_what_site_check_says_is_wrapped_in_a_file_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    name = f"{'a-yard-with-a-long-name' * 2}.toml"
    Path(name).write_text(scenario_text())
    assert main.run(["site", "check", name]) == 0
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= 80
    assert told.startswith(f"{name}: site harlow-basin")
    assert main.run(["site", "check", name, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "pass"
    Path(name).write_text(scenario_text().replace('roles = ["crane"]', 'roles = ["cran"]', 1))
    assert main.run(["site", "check", name]) == 1
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= 80
    assert "cran" in told


def test_a_result_in_words_is_wrapped_in_a_file_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a command says of what it has done, and what may be done next: by COLUMNS, then by what is usual."""
    monkeypatch.chdir(tmp_path)
    good = str(Path(__file__).parents[2] / "examples" / "recordings" / "good-1.ywrec")
    for columns in (60, 80):
        monkeypatch.setenv("COLUMNS", str(columns))
        assert main.run(["site", "new", f"a-yard-with-a-longer-name-{columns}.toml"]) == 0
        assert main.run(["show", good, "--node", "nobody"]) == 0
        told = capsys.readouterr().out
        assert max(map(len, told.splitlines())) <= columns
        assert "yardwire site check a-yard" in " ".join(told.split())
        assert "Nodes that speak in it: ferry, north, siding, south, yard" in " ".join(told.split())


def test_every_change_of_the_specification_keeps_to_the_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    old = Path(__file__).parents[1] / "publish" / "released" / "1.0"
    assert main.run(["publish", "--against", str(old)]) == 0
    told = capsys.readouterr().out
    assert [line for line in told.splitlines() if len(line) > 80 and " " in line.strip()] == []
    assert "new since 1.1" in told


def test_what_a_script_waits_for_is_one_line_in_a_pipe(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    quiet.chat("siding: berth, in service, at mqtt://localhost; stop it with Ctrl-C", err=False, whole=True)
    quiet.chat("siding: berth, in service, at mqtt://localhost; stop it with Ctrl-C")
    said = capsys.readouterr()
    assert "stop it with Ctrl-C\n" in said.out
    assert (len(said.out.splitlines()), len(said.err.splitlines())) == (1, 1)


def test_what_is_longer_than_a_line_is_kept_whole() -> None:
    told = wrapped(f"cannot read {'x' * 60}: none", 40)
    assert "x" * 60 in told.split()[2]


# ---------------------------------------------------------------- how far it is
class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_so_many_of_so_many_and_what_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Clock()
    far = Progress("cases", 100, clock=clock)
    clock.now = 30.0
    assert far.line(10, "north, orders-ask") == "10 of 100 cases, 4 min left: north, orders-ask"
    assert far.line(0) == "0 of 100 cases"
    assert far.line(99) == "99 of 100 cases, less than 1 min left", "never 0 while one is left"
    assert far.line(99, left_s=0.0) == "99 of 100 cases, less than 1 min left"
    assert far.line(100) == "100 of 100 cases"
    told = far.line(10, "north, hold-all", besides="1 failed: orders-ask")
    assert told == "10 of 100 cases, 4 min left, 1 failed: orders-ask; north, hold-all"
    assert Progress("files read", clock=clock).line(7, "a.ywrec") == "7 files read: a.ywrec"
    assert Progress("cases", clock=clock).line(7, left_s=7500.0) == "7 cases, 2 h 5 min left"


def test_where_it_is_piped_there_is_a_line_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, told = Clock(), io.StringIO()
    monkeypatch.setattr(sys, "stderr", told)
    far = Progress("cases", 1000, clock=clock)
    for number in range(600):
        clock.now = number * 0.5  # Five minutes.
        far.at(number)
    lines = told.getvalue().splitlines()
    assert lines == [f"{minute * 120} of 1,000 cases, {left} left" for minute, left in enumerate(
        ("7 min", "6 min", "5 min", "4 min"), 1)]  # fmt: skip
    assert "\x1b" not in told.getvalue()


def test_on_a_terminal_a_long_step_is_told_though_the_one_before_was_told_just_now(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock, told = Clock(), io.StringIO()
    monkeypatch.setattr(told, "isatty", lambda: True)
    monkeypatch.setattr(sys, "stderr", told)
    monkeypatch.setattr(quiet, "_quiet", False)
    for apart_s, both in ((0.0, True), (0.1, False)):
        far = Progress("cases", 10, apart_s=apart_s, clock=clock)
        far.at(1, f"short-{apart_s}")
        far.at(2, f"long-{apart_s}")
        assert (f"long-{apart_s}" in told.getvalue()) is both
    far.at(3, "at-once", now=True)
    assert "at-once" in told.getvalue()


def test_quiet_leaves_it_out(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, told = Clock(), io.StringIO()
    monkeypatch.setattr(sys, "stderr", told)
    monkeypatch.setattr(quiet, "_quiet", True)
    far = Progress("cases", 1000, clock=clock)
    clock.now = 120.0
    far.at(5)
    quiet.chat("nobody needs this")
    assert told.getvalue() == ""


# ---------------------------------------------------------------- --quiet
def test_quiet_says_the_result_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main.run(["site", "new", "--quiet"]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", "")
    assert main.run(["site", "new", "other.toml"]) == 0
    assert "Next:" in capsys.readouterr().out, "it holds for one command alone"
    assert main.run(["site", "new", "-q"]) == 2
    assert "there is a file of this name" in capsys.readouterr().err
