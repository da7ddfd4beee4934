"""`yardwire measure`: three lines, exit codes, JSON, pages, and nothing written while a pair is in doubt."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from importlib.util import find_spec
from pathlib import Path

import pytest

from conformance.commands.main import run
from protocol.site_file import load_site, scenario_text
from tests.architecture.purity import ROOT

EXAMPLES = ROOT / "examples" / "measure"
Said = Callable[..., tuple[int, str, str]]


@pytest.fixture
def say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Said:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(scenario_text(), encoding="utf-8")
    for name in ("pairs.csv", "trains.toml"):
        (tmp_path / name).write_bytes((EXAMPLES / name).read_bytes())

    def said(*words: str) -> tuple[int, str, str]:
        code = run(["measure", *words])
        found = capsys.readouterr()
        return code, found.out, found.err

    return said


def test_table_in_three_answers(say: Said) -> None:
    code, out, err = say("table", "pairs.csv", "--needed", "1")
    assert (code, err) == (0, "")
    answers = [line for line in out.splitlines() if not line.startswith("  ")]
    assert len(answers) == 3
    assert answers[0].startswith("south over siding: line plus one period, within 0.")
    assert answers[1].startswith("why: a period: 1.")
    assert answers[2] == "next: nothing, 1 mm are met"
    assert max(map(len, out.splitlines())) <= 80


def test_what_is_needed_and_not_met_is_exit_1(say: Said) -> None:
    code, out, _ = say("table", "pairs.csv", "--needed", "0.1")
    assert code == 1
    assert "and 0.1 mm are needed" in " ".join(out.split())


def test_table_is_written_with_its_new_digest(say: Said) -> None:
    before = load_site("site.toml").nodes["south"].digest
    code, out, _ = say("table", "pairs.csv", "--points", "8", "--write", "--json")
    found = json.loads(out)
    site = load_site("site.toml")
    assert code == 0
    assert found["digest"] == {"was": before, "is": site.nodes["south"].digest}
    assert before != site.nodes["south"].digest
    crane = site.nodes["south"].crane
    assert crane is not None
    assert [list(point) for point in crane.places["siding"].table] == found["table"]
    assert len(found["table"]) <= 8
    assert "# before" in Path("site.toml").read_text(encoding="utf-8")


def test_nothing_is_planted_in_a_real_yard(say: Said) -> None:
    """Also not by forgetting --yard: a real one is the default."""
    for yard in ([], ["--yard", "real"]):
        code, _, err = say("collect", "new.csv", "--imperfect", "period", "--yes", *yard)
        assert code == 2
        assert "nothing is planted in a real yard" in err
        assert not Path("new.csv").exists()


def test_nothing_is_written_without_being_asked(say: Said) -> None:
    before = Path("site.toml").read_bytes()
    say("table", "pairs.csv", "--html", "table.html")
    assert Path("site.toml").read_bytes() == before


def test_a_pair_in_doubt_is_asked_about_first(say: Said) -> None:
    lines = Path("pairs.csv").read_text(encoding="utf-8").splitlines()
    number = len(lines) // 2
    reading = lines[number - 1].split(",")[1]
    for index, line in enumerate(lines):
        if line.split(",")[1:2] == [reading]:
            cells = line.split(",")
            lines[index] = ",".join([cells[0], cells[1], str(float(cells[2]) + 7), *cells[3:]])
    Path("pairs.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    before = Path("site.toml").read_bytes()
    assert "Is it right?" in say("table", "pairs.csv")[2]
    code, _, err = say("table", "pairs.csv", "--write")
    assert code == 2
    assert "in doubt" in err
    assert Path("site.toml").read_bytes() == before
    code, _, err = say("table", "pairs.csv", "--write", "--keep", str(number))
    assert (code, Path("site.toml").read_bytes() == before) == (0, False), err


def test_a_table_that_the_site_cannot_have_is_not_written(say: Said) -> None:
    Path("pairs.csv").write_text("reading,position\n100,880\n200,890\n300,899\n400,911\n", encoding="utf-8")
    before = Path("site.toml").read_bytes()
    code, _, err = say("table", "pairs.csv", "--write")
    assert code == 2
    assert "outside 0 to 900" in err
    assert Path("site.toml").read_bytes() == before


def test_budget_lands_or_does_not(say: Said) -> None:
    code, out, err = say("budget", "pairs.csv")
    assert code == 2
    assert "nobody has stated" in err
    say("table", "pairs.csv", "--write")
    code, out, err = say("budget", "pairs.csv", "--catches", "4", "--slack", "0.3")
    assert code == 0
    answers = [line for line in out.splitlines() if not line.startswith("  ")]
    assert [line.split(":")[0] for line in answers] == ["siding", "improve first", "margin by slot, mm"]
    code, out, err = say("budget", "pairs.csv", "--catches", "0.5", "--json")
    found = json.loads(out)
    assert (code, found["lands"]) == (1, False)
    assert sum(term["share"] for term in found["slots"][0]["terms"]) == pytest.approx(1)
    assert found["simulated"] == pytest.approx(found["slots"][0]["within"], rel=0.15)


def test_what_the_wagon_catches_stands_in_the_site_file(say: Said) -> None:
    say("table", "pairs.csv", "--write")
    text = (
        Path("site.toml")
        .read_text(encoding="utf-8")
        .replace('node = "siding"\n', 'node = "siding"\ncatches = 4\n')
    )
    digests = {name: node.digest for name, node in load_site("site.toml").nodes.items()}
    Path("site.toml").write_text(text, encoding="utf-8")
    assert load_site("site.toml").places["siding"].catches == 4
    assert {name: node.digest for name, node in load_site("site.toml").nodes.items()} == digests
    code, out, _ = say("budget", "pairs.csv")
    assert code == 0
    assert "4.0 mm that the wagon catches" in out


def test_sensor_and_what_was_recorded(say: Said) -> None:
    recording = str(ROOT / "examples" / "recordings" / "good-1.ywrec")
    code, out, _ = say("sensor", "trains.toml", "--recording", recording)
    assert code == 0
    assert out.startswith("the arming sensor may sit from ")
    assert "siding: 1 arrival recorded, the end came" in out
    text = Path("trains.toml").read_text(encoding="utf-8").replace("arming = 940 ", "arming = 700 ")
    Path("trains.toml").write_text(text, encoding="utf-8")
    code, out, _ = say("sensor", "trains.toml", "--json")
    assert code == 1
    assert json.loads(out)["margin"] < 0


class _Outside(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.figures = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.figures += tag == "svg"
        self.found += [value or "" for name, value in attrs if name in ("src", "href")]


@pytest.mark.parametrize(
    ("words", "figures"),
    [
        (("table", "pairs.csv"), 2),
        (("budget", "pairs.csv", "--catches", "4"), 1),
        (("sensor", "trains.toml"), 1),
    ],
)
def test_pages_stand_alone(say: Said, words: tuple[str, ...], figures: int) -> None:
    say(*words, "--html", "page.html")
    text = Path("page.html").read_text(encoding="utf-8")
    page = _Outside()
    page.feed(text)
    assert (page.found, page.figures) == ([], figures)
    assert "prefers-color-scheme: dark" in text
    assert "nan" not in text.replace("finance", "")


def test_without_the_libraries_it_says_so(say: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    def lacks(name: str) -> object:
        return None if name in ("numpy", "scipy") else find_spec(name)

    monkeypatch.setattr("conformance.commands.measure.options.find_spec", lacks)
    code, _, err = say("table", "pairs.csv")
    assert code == 2
    assert "measuring needs numpy and scipy" in err
    assert "pip install 'yardwire[measure]'" in err
    assert say("sensor", "trains.toml")[0] == 0  # It needs neither.


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("table", "none.csv"), "none.csv: cannot be read"),
        (("table", "pairs.csv", "--crane", "north"), "no crane of that name has a table"),
        (("table", "pairs.csv", "--without", "9999"), "no pair on that line"),
        (("table", "site.toml"), "site.toml: line"),
        (("sensor", "none.toml"), "none.toml: cannot be read"),
        (("sensor", "pairs.csv"), "pairs.csv"),
    ],
)
def test_wrong_files_are_told(say: Said, words: tuple[str, ...], told: str) -> None:
    code, _, err = say(*words)
    assert code == 2
    assert told in err
    assert "Traceback" not in err


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; from conformance.commands.main import run; run(['measure', 'table', '--help']); "
        "print([name for name in ('numpy', 'scipy', 'tomlkit', 'jinja2') if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30
    )
    assert done.stderr.strip() == "[]"
