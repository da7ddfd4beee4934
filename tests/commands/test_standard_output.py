"""'-' where a command writes a file, or wants a folder: refused in words, and no file of that name is left behind."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from conformance.commands import main

COMMANDS = (
    ("show", "x.ywrec", "--html", "-"),
    ("show", "x.ywrec", "--export", "-"),
    ("diff", "a.ywrec", "b.ywrec", "--html", "-"),
    ("trend", ".", "--html", "-"),
    ("runs", "merge", "x.ywrec", "--out", "-"),
    ("conform", "ferry", "--html", "-"),
    ("conform", "ferry", "--junit", "-"),
    ("record", "-"),
    ("measure", "table", "pairs.csv", "--html", "-"),
)


@pytest.fixture
def refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Callable[..., str]:
    """Runs a command in an empty folder, and gives what it says on standard error, on one line."""

    def run(*words: str) -> str:
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr("sys.argv", ["yardwire", *words])
        with pytest.raises(SystemExit) as ended:
            main.main()
        assert ended.value.code == 2
        return " ".join(capfd.readouterr().err.split())

    return run


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_no_file_is_written_under_that_name(
    words: tuple[str, ...], tmp_path: Path, refused: Callable[..., str]
) -> None:
    assert "write the name of a file" in refused(*words)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [("runs", "-"), ("runs", "export", "store", "-"), ("trend", "-")], ids=" ".join
)
def test_runs_have_no_names_on_standard_input(words: tuple[str, ...], refused: Callable[..., str]) -> None:
    assert "standard input is in none" in refused(*words)
