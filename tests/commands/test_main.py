from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

import pytest

from conformance.commands import main
from conformance.commands.lazy import LazyCommand
from protocol.site_file import scenario_text

ROOT = Path(__file__).parents[2]
ENDINGS = [sys.executable, "-m", "tests.commands.endings"]
HEAVY = {"jsonschema", "jsonschema_rs", "paho", "amqtt", "rich", "jinja2", "cbor2", "asyncio"}
RECORDED = ROOT / "examples" / "recordings"
PATIENCE = 20  # seconds until a process that hangs is a failure


def run_ending(name: str, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setitem(main.COMMANDS, name, LazyCommand(f"tests.commands.endings:{name}", ""))
    return main.run([name])


def start_ending(*arguments: str, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*ENDINGS, *arguments],
        cwd=ROOT,
        env=os.environ | environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_help_names_every_command_and_imports_nothing_heavy() -> None:
    script = (
        "import json, sys\n"
        "from conformance.commands import main\n"
        "code = main.run(['--help'])\n"
        "print(json.dumps([code, sorted(sys.modules)]), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    code, modules = json.loads(done.stderr)
    assert code == 0
    assert not HEAVY & {name.partition(".")[0] for name in modules}
    assert not {"importlib.metadata", "email", "difflib", "hmac"} & set(modules), (
        "a third of the time to start"
    )
    for name in main.COMMANDS:
        assert f"\n  {name} " in done.stdout


@pytest.mark.parametrize("name", [None, *main.COMMANDS])
def test_help_fits_a_terminal_of_80_columns(name: str | None, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run([name, "--help"] if name else ["--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines
    assert all(len(line) <= 80 for line in lines)
    # Cut off by click, a sentence would end in dots.
    assert not any(line.endswith("...") for line in lines if not line.startswith("Usage:"))


@pytest.mark.parametrize("name", main.COMMANDS)
def test_the_table_names_each_command_as_it_names_itself(name: str) -> None:
    command = main.COMMANDS[name].load()
    assert command.name == name
    assert command.help


def test_version_is_that_of_the_installed_package(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["--version"]) == 0
    assert version("yardwire") in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["brokr"], "did you mean 'broker'?"),
        (["xyzzy"], "the commands are: demo, "),
        (["--xyzzy"], "No such option"),
        (["broker", "--port", "70000"], "'--port'"),
        (["broker", "--choice", "other"], "'embedded'"),
    ],
)
def test_wrong_arguments_are_told_and_end_with_2(
    arguments: list[str], complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.run(arguments) == 2
    told = capsys.readouterr()
    assert complaint in told.err
    assert told.out == ""


def test_no_arguments_show_the_help_and_end_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run([]) == 2
    assert "Usage: yardwire" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("ending", "code", "told"),
    [
        ("fine", 0, ""),
        ("different", 1, ""),
        ("leaves_by_context", 1, ""),
        (
            "trouble",
            2,
            "Error: mqtt://127.0.0.1:1: no broker answers. Start one with 'yardwire broker'\n",
        ),
        ("interrupted", 130, "stopped by Ctrl-C\n"),
    ],
)
def test_each_ending_has_its_code_and_its_words(
    ending: str,
    code: int,
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run_ending(ending, monkeypatch) == code
    assert capsys.readouterr().err == told


@pytest.mark.parametrize(
    ("ending", "named"),
    [
        ("fault", "ZeroDivisionError: a count of nothing"),
        # Neither of these two is what the command line would take it for: Ctrl-D, a reader that left.
        ("end_of_data", "EOFError: a decoder ran out of bytes"),
        ("lost_connection", "BrokenPipeError: [Errno 32] Broken pipe"),
    ],
)
@pytest.mark.parametrize("debug", [False, True])
def test_a_fault_of_the_kit_is_named_as_one_with_a_traceback_only_when_asked(
    ending: str,
    named: str,
    debug: bool,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("YARDWIRE_DEBUG", "1" if debug else "")
    assert run_ending(ending, monkeypatch) == 2
    told = capfd.readouterr().err
    assert told.startswith(f"Error: internal error in yardwire, not in what it was given: {named}\n")
    assert ("Traceback" in told) == debug


def test_a_question_without_anybody_to_answer_ends_with_2() -> None:
    with start_ending("asks") as process:
        told = process.communicate(timeout=PATIENCE)[1]
    assert "standard input ended" in told
    assert process.returncode == 2


def test_a_reader_that_leaves_gets_no_complaint() -> None:
    with start_ending("prints_much") as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "a line of output\n"
        process.stdout.close()
        assert process.stderr is not None
        assert process.stderr.read() == ""
        assert process.wait(PATIENCE) == 2


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("diff {good} examples/recordings/slow-axis.ywrec", 1),
        ("diff {good} {good}", 0),
        ("validate examples/recordings/bad-message.ywrec", 1),
        ("runs {recordings}", 0),
        ("site check {site}", 0),
        ("site digest {site} --text", 0),
    ],
)
def test_a_verdict_over_files_stands_where_its_reader_leaves(command: str, code: int, tmp_path: Path) -> None:
    site, recordings = tmp_path / "site.toml", tmp_path / "recordings"
    site.write_text(scenario_text(), "utf-8")
    recordings.mkdir()
    shutil.copy(RECORDED / "good-3.ywrec", recordings)
    good = recordings / "good-3.ywrec"
    words = command.format(site=site, recordings=recordings, good=good).split()
    line = [sys.executable, "-m", "conformance.commands.main", *words]
    with subprocess.Popen(
        line, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.close()  # before the first word: no line of any length finds room in a buffer
        assert process.stderr is not None
        told = process.stderr.read()
        assert (process.wait(PATIENCE), "Error" in told, "Traceback" in told) == (code, False, False), told


def test_what_moves_a_machine_stops_where_its_reader_leaves() -> None:
    at_machines = {
        "demo",
        "conform",
        "node",
        "fuzz",
        "supervise",
        "record",
        "watch",
        "replay",
        "link",
        "broker",
    }
    assert not at_machines & {*main.OF_FILES, *main.ONLY_SHOWS}
    assert at_machines | {*main.OF_FILES, *main.ONLY_SHOWS} == set(main.COMMANDS)
    assert ("measure", "collect") in main.AT_MACHINES


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full, a full disk, is on Linux only")
def test_a_full_disk_is_told() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*ENDINGS, "fine"], cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, timeout=PATIENCE
        )
    assert done.stderr == f"Error: nothing more could be written: {os.strerror(errno.ENOSPC)}\n"
    assert done.returncode == 2


@pytest.mark.parametrize(
    ("number", "code", "told"),
    [
        (signal.SIGINT, 130, "stopped by Ctrl-C\n"),
        (signal.SIGTERM, 143, ""),
        (signal.SIGHUP, 129, ""),
    ],
)
def test_a_signal_lets_the_command_clean_up(
    number: signal.Signals, code: int, told: str, tmp_path: Path
) -> None:
    witness = tmp_path / "witness"
    with start_ending("waits", str(witness)) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "waiting\n"
        process.send_signal(number)
        assert process.communicate(timeout=PATIENCE)[1] == told
    assert process.returncode == code
    assert witness.read_text() == "unwound"


def run_on_terminal(*arguments: str, **environment: str) -> bytes:
    """Run an ending with a terminal as its standard output and return what the terminal was sent."""
    ours, theirs = os.openpty()
    with subprocess.Popen([*ENDINGS, *arguments], cwd=ROOT, env=environment, stdout=theirs) as process:
        os.close(theirs)
        sent = b""
        with suppress(OSError):  # Linux ends the reading of a terminal that all others have closed with EIO.
            while part := os.read(ours, 4096):
                sent += part
        assert process.wait(PATIENCE) == 0
    os.close(ours)
    return sent


def test_colour_is_for_terminals_and_yields_to_no_color() -> None:
    plain = {key: value for key, value in os.environ.items() if key not in {"NO_COLOR", "FORCE_COLOR"}}
    with start_ending("fine") as process:
        assert process.communicate(timeout=PATIENCE)[0] == "as it should be\n"
    assert run_on_terminal("fine", **plain) == b"\x1b[31;1mas it should be\x1b[0m\r\n"
    assert run_on_terminal("fine", **plain | {"NO_COLOR": "1"}) == b"as it should be\r\n"
