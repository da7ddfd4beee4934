"""No file of a megabyte takes more than 300 MB or 10 s in a command that only reads, nor commands a terminal."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest

import examples
from protocol.site_file import scenario_text
from tests.hostile.files import LARGEST, HostileFile, all_files, escapes, recordings, surveys, tables, texts
from tests.hostile.measured import MEMORY_KB, SECONDS, Measured, measured
from tests.sample import sampled

GOOD = Path(examples.__path__[0]) / "recordings" / "good-1.ywrec"
PAIRS = Path(examples.__path__[0]) / "measure" / "pairs.csv"
FILES = {one.name: one for one in all_files()}
QUICK = (
    "time-10^400.ywrec", "time-of-event-2^63.ywrec", "item-shared.ywrec", "packed-one-item.ywrec",
    "packed-many-items.ywrec", "header-started-no time.ywrec", "array-deep.toml", "digits.toml", "keys-deep-less.toml",
    "deep.json", "report-cases.json", "pairs-wild.csv",
)  # fmt: skip
"""Tried in every run: one of each kind that ended a command in a fault, or in gigabytes."""


def commands(file: HostileFile, path: Path) -> Iterator[tuple[str, ...]]:
    """Every command that reads a file of this kind."""
    match path.suffix:
        case ".ywrec":
            yield ("validate", str(path))
            yield ("show", str(path))
            yield ("show", str(path), "--stats")
            yield ("diff", str(path), str(path))
            yield ("diff", str(GOOD), str(path), "--html", "diff.html")
            if file.refused or path.stat().st_size < 100_000:
                yield ("show", str(path), "--export", "out.csv")
                yield ("show", str(path), "--json")
            yield ("show", str(path), "--html", "out.html")
        case ".toml":
            yield ("site", "check", str(path))
            yield ("supervise", str(path))
            yield ("supervise", "--site", str(path), "01-one-crane")
            yield ("validate", "--site-file", str(path), str(GOOD))
            yield ("measure", "sensor", str(path))
            yield ("measure", "table", str(PAIRS), "--site", str(path))
            to = ("--broker", "mqtt://127.0.0.1:1", "--site", "site.toml")
            yield ("link", "port", "--logins", str(path), *to)
        case ".csv":
            yield ("measure", "table", str(path), "--site", "site.toml")
            yield ("measure", "budget", str(path), "--site", "site.toml", "--catches", "4")
        case _:
            yield ("validate", str(path), "--message", "job-order")
            if path.suffix == ".json":
                to = ("--broker", "mqtt://127.0.0.1:1", "--site", "site.toml")
                yield ("conform", "north", "--since", str(path), *to)
                yield ("conform", "north", "--resume", str(path), *to)


def commands_a_terminal(said: bytes) -> list[str]:
    """Characters that a terminal obeys, or that turn what it shows: line ends and tabs are not among them."""
    text = said.decode("utf-8", "surrogateescape")
    return [sign for sign in text if sign not in "\n\t" and unicodedata.category(sign) in ("Cc", "Cf", "Cs")]


def check(file: HostileFile, run: Measured) -> None:
    said = run.said.decode("utf-8", "replace")
    assert run.code in (0, 1, 2), said[-500:]
    assert "fault of the kit" not in said, said[-500:]
    assert "Traceback" not in said, said[-500:]
    assert "Warning" not in said, said[-500:]
    assert run.memory_kb < MEMORY_KB
    assert run.seconds < SECONDS
    assert not commands_a_terminal(run.said)


def tried(name: str, folder: Path) -> None:
    file = FILES[name]
    path = folder / name
    path.write_bytes(file.content)
    path.chmod(0o600)  # Logins that others can read are not read.
    assert path.stat().st_size <= LARGEST + 1000
    (folder / "site.toml").write_text(scenario_text(), encoding="utf-8")
    for words in commands(file, path):
        run = measured(folder, *words)
        check(file, run)
        # A page of the first messages does not read on; nor does every fault of a line make one of JSON Lines wrong.
        if file.refused and path.suffix != ".jsonl" and "out.html" not in words:
            assert run.code, words
    assert not list(folder.glob("*.part"))


@pytest.mark.parametrize("name", QUICK)
def test_what_ended_in_a_fault_is_refused_in_words(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(FILES[name].content)
    (tmp_path / "site.toml").write_text(scenario_text(), encoding="utf-8")
    words = list(commands(FILES[name], path))[1 if path.suffix == ".json" else 0]
    run = measured(tmp_path, *words)
    check(FILES[name], run)
    assert run.code
    assert name in run.said.decode("utf-8")


@pytest.mark.parametrize("name", ["time-10^400.ywrec", "item-deep.ywrec", "array-deep.toml", "no-utf-8.json"])
def test_the_byte_is_named(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(FILES[name].content)
    (tmp_path / "site.toml").write_text(scenario_text(), encoding="utf-8")
    words = list(commands(FILES[name], path))[1 if path.suffix == ".json" else 0]
    assert re.search(r"byte \d+", measured(tmp_path, *words).said.decode("utf-8"))


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", sampled(sorted(one.name for one in (*recordings(), *tables(), *texts(), *surveys())), QUICK)
)
def test_every_reading_command_bears_every_file(name: str, tmp_path: Path) -> None:
    tried(name, tmp_path)


OUTPUTS = (
    ("validate",), ("validate", "--json"), ("show",), ("show", "--invalid"), ("show", "--lanes"), ("show", "--json"),
    ("show", "--stats"), ("show", "--stats", "--json"), ("show", "--html", "out.html"),
    ("show", "--stats", "--html", "figures.html"), ("show", "--export", "out.csv"), ("show", "--export", "out.jsonl"),
    ("diff", str(GOOD)), ("diff", str(GOOD), "--json"), ("diff", str(GOOD), "--html", "diff.html"),
)  # fmt: skip


VERDICT = re.compile(rb"\x1b\[31;1m(\d+ not as it should be)\x1b\[0m")
"""What the kit itself says in colour: nothing of it comes from the recording."""


@pytest.mark.parametrize("words", OUTPUTS, ids=" ".join)
def test_nothing_recorded_commands_a_terminal(words: tuple[str, ...], tmp_path: Path) -> None:
    """Escape sequences in the header, in events, topics, labels, texts and names: on the terminal and in files."""
    path = tmp_path / "escapes.ywrec"
    path.write_bytes(escapes())
    run = measured(tmp_path, *words, str(path), terminal=True)
    assert run.code in (0, 1), run.said[-500:]
    assert not commands_a_terminal(VERDICT.sub(rb"\1", run.said))
    for made in (*tmp_path.glob("*.csv"), *tmp_path.glob("*.html")):
        content = made.read_bytes().replace(b"\r\n", b"\n")
        assert not commands_a_terminal(content), made
        assert b"|<b>&" not in content or made.suffix == ".csv"


@pytest.mark.parametrize("name", ["array-deep.toml", "digits.toml", "escapes.toml"])
def test_a_file_of_logins_is_a_file_like_any_other(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(FILES[name].content)
    path.chmod(0o600)
    (tmp_path / "site.toml").write_text(scenario_text(), encoding="utf-8")
    words = next(words for words in commands(FILES[name], path) if words[0] == "link")
    run = measured(tmp_path, *words)
    check(FILES[name], run)
    assert run.code == 2
    assert name in run.said.decode("utf-8")


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs a file without an end")
@pytest.mark.parametrize(
    "words",
    [
        ("watch", "--site", "site.toml", "--broker", "mqtts://127.0.0.1:1", "--ca", "/dev/zero"),
        ("node", "north", "--site", "site.toml", "--broker", "mqtt://127.0.0.1:1", "--state-dir", "boots"),
    ],
    ids=lambda words: words[0],
)
def test_a_file_without_an_end_is_not_read_to_it(words: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(scenario_text(), encoding="utf-8")
    (tmp_path / "boots").mkdir()
    (tmp_path / "boots" / "north.boot").symlink_to("/dev/zero")
    run = measured(tmp_path, *words)
    check(FILES["zeros.toml"], run)
    assert run.code == 2


def test_a_file_name_commands_no_terminal(tmp_path: Path) -> None:
    name = "\x1b[2J\u202e.toml"
    (tmp_path / name).write_text("site = ", encoding="utf-8")
    run = measured(tmp_path, "site", "check", name, terminal=True)
    assert run.code == 1
    assert not commands_a_terminal(run.said)
    assert b"\\u001b[2J\\u202e.toml" in run.said
