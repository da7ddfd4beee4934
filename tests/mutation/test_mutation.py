"""The tool itself: what it changes, which sample it draws, and how a mutant ends."""

from __future__ import annotations

import time
from collections.abc import Sequence
from math import isclose, sqrt
from pathlib import Path
from statistics import NormalDist

import pytest

from tests.mutation.campaign import Campaign, FailsUnchanged
from tests.mutation.changes import changes_of, sample
from tests.mutation.packages import Package, packages
from tests.mutation.survivors import gone, survivors
from tests.mutation.table import PAGE, page, read, wilson_lower
from tests.mutation.trial import start

SOURCE = '''"""A module."""
from __future__ import annotations
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from pathlib import Path

LIMIT: int | None = 3


class Adds(Protocol):
    def add(self, by: int = 1) -> bool: ...


class Counter:
    def __init__(self) -> None:
        self.seen = 0

    def add(self, by: int | str = 1) -> bool:
        total = self.seen + int(by)
        self.seen = total
        if total > LIMIT:
            raise ValueError
        return True
'''


def test_each_kind_of_change_is_made_and_types_are_left_alone() -> None:
    shown = {change.shown(SOURCE) for change in changes_of("counter.py", SOURCE)}
    assert shown == {
        "LIMIT: int | None = 3 -> LIMIT: int | None = 4",
        "LIMIT: int | None = 3 -> LIMIT: int | None = 2",
        "self.seen = 0 -> self.seen = 1",
        "self.seen = 0 -> self.seen = -1",
        "self.seen = 0 -> pass",
        "def add(self, by: int | str = 1) -> bool: -> def add(self, by: int | str = 2) -> bool:",
        "def add(self, by: int | str = 1) -> bool: -> def add(self, by: int | str = 0) -> bool:",
        "total = self.seen + int(by) -> total = self.seen - int(by)",
        "self.seen = total -> pass",
        "if total > LIMIT: -> if total >= LIMIT:",
        "if total > LIMIT: -> if total <= LIMIT:",
        "if total > LIMIT: -> if not total > LIMIT:",
        "raise ValueError -> pass",
        "return True -> return False",
    }


@pytest.mark.slow
def test_every_change_makes_another_program() -> None:
    for package in packages():
        file, source = next(iter(package.sources.items()))
        for change in sample(changes_of(file, source), 25, 7):
            mutated = change.apply(source)
            assert mutated != source
            compile(mutated, file, "exec")


def test_a_sample_has_one_change_a_place_and_stands_when_another_file_changes() -> None:
    own = changes_of("a.py", SOURCE)
    chosen = sample(own, 5, 3)
    assert len({change.place for change in sample(own, 99, 3)}) == len({change.place for change in own})
    assert chosen == sample(own[::-1], 5, 3) != sample(own, 5, 4)
    moved = changes_of("a.py", "# one line more\n" + SOURCE)
    assert [change.key for change in sample(moved, 5, 3)] == [change.key for change in chosen]


@pytest.mark.parametrize(("killed", "counted"), [(0, 10), (9, 10), (95, 100), (600, 600)])
def test_the_bound_solves_the_equation_that_defines_it(killed: int, counted: int) -> None:
    """Wilson 1927: the bound is the share p for which what was seen lies just z standard deviations of p above it."""
    bound = wilson_lower(killed, counted)
    z = NormalDist().inv_cdf(0.975)
    assert isclose(killed / counted - bound, z * sqrt(bound * (1 - bound) / counted), abs_tol=1e-8)
    assert wilson_lower(0, 0) == 0


def test_every_listed_survivor_is_still_in_the_code() -> None:
    listed = survivors().values()
    files = {one.file for one in listed}
    found = [(file, source) for one in packages() for file, source in one.sources.items() if file in files]
    changes = [change for file, source in found for change in changes_of(file, source)]
    assert gone(listed, changes) == []


@pytest.mark.parametrize("entry", ["", 'equivalent = " "', 'equivalent = "so"\nowned = "so"'])
def test_a_survivor_without_one_reason_is_refused(tmp_path: Path, entry: str) -> None:
    listed = tmp_path / "survivors.toml"
    head = '[[survivor]]\nfile = "a.py"\nscope = ""\ntext = "a = 1"\noperator = "NumberReplacer"\n'
    listed.write_text(head + entry)
    with pytest.raises(ValueError, match="needs one reason"):
        survivors(listed)
    listed.write_text(head + 'equivalent = "so"\n' + head + 'owned = "so"\n')
    with pytest.raises(ValueError, match="one entry"):
        survivors(listed)


def test_the_page_is_made_from_what_was_measured() -> None:
    assert PAGE.read_text() == page(read())


TESTS = """from counter import Counter


def test_it_counts():
    counter = Counter()
    assert counter.add(3)
    assert counter.seen == 3
"""


def outcomes(
    folder: Path, tests: str, texts: Sequence[str], killer: str = "", *, tests_told: bool = False
) -> dict[str, str]:
    """How the mutants whose change reads so end, by that change, or which test each fails; `killer` is tried first."""
    (folder / "counter.py").write_text(SOURCE)
    (folder / "test_counter.py").write_text(tests)
    (folder / "pytest.ini").write_text("[pytest]\npythonpath = .\n")
    package = Package("counter", {"counter.py": SOURCE}, {"counter.py": (str(folder / "test_counter.py"),)})
    changes = {one.key: one for one in changes_of("counter.py", SOURCE) if one.shown(SOURCE) in texts}
    before = dict.fromkeys(changes, killer) if killer else {}
    campaign = Campaign(2, folder / "kept.jsonl", folder, killers=before)
    found = {
        changes[one.key].shown(SOURCE): one.test if tests_told else one.ended
        for one in campaign.run(package, list(changes.values()))
    }
    campaign.control()
    return found


@pytest.mark.wire
def test_a_mutant_dies_of_a_test_and_lives_without_one(tmp_path: Path) -> None:
    """The limit is never passed in these tests: to take out the `raise` is noticed by nobody."""
    expected = {
        "if total > LIMIT: -> if total >= LIMIT:": "failed",
        "self.seen = total -> pass": "failed",
        "raise ValueError -> pass": "passed",
    }
    assert outcomes(tmp_path, TESTS, list(expected)) == expected
    assert (tmp_path / "counter.py").read_text() == SOURCE
    known = (tmp_path / "kept.jsonl").read_text()
    assert outcomes(tmp_path, TESTS, list(expected)) == expected
    assert (tmp_path / "kept.jsonl").read_text() == known, "a result that stands is not made again"


SAVED = "self.seen = total -> pass"
THREE = f"{TESTS}\n\ntest_it_counts_again = test_it_counts\n\n\ndef test_it_is():\n    assert Counter\n"


@pytest.mark.wire
@pytest.mark.parametrize(
    ("killer", "dies_of"),
    [("counts_again", "counts_again"), ("is", "counts"), ("was_renamed", "counts")],
)
def test_what_killed_it_before_is_tried_first_and_the_others_where_that_passes_or_is_gone(
    tmp_path: Path, killer: str, dies_of: str
) -> None:
    name = "test_counter.py::test_it_{}"
    assert outcomes(tmp_path, THREE, [SAVED], name.format(killer), tests_told=True) == {
        SAVED: name.format(dies_of)
    }


@pytest.mark.wire
def test_no_test_at_all_kills_nothing(tmp_path: Path) -> None:
    """Where marks leave out every test of a file, its mutants are neither killed nor alive."""
    marked = TESTS.replace("def test", "import pytest\n\n\n@pytest.mark.slow\ndef test")
    with pytest.raises(FailsUnchanged, match=r"none is left to run for counter\.py"):
        outcomes(tmp_path, marked, [SAVED])


@pytest.mark.wire
def test_tests_that_fail_anyway_kill_nothing(tmp_path: Path) -> None:
    with pytest.raises(FailsUnchanged, match="test_it_counts"):
        outcomes(tmp_path, TESTS.replace("== 3", "== 4"), ["raise ValueError -> pass"])


@pytest.mark.wire
def test_a_mutant_that_never_ends_is_ended(tmp_path: Path) -> None:
    (tmp_path / "test_endless.py").write_text("def test_endless():\n    while True:\n        pass\n")
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    trial = start([str(tmp_path / "test_endless.py")], 2)
    while not trial.look():
        time.sleep(0.02)
    assert (trial.ended, trial.test) == ("time-out", "test_endless.py::test_endless")


BUSY = """import time


def test_one():
    end = time.process_time() + 1.2
    while time.process_time() < end:
        pass
"""


@pytest.mark.wire
def test_each_test_has_its_own_time_and_many_of_them_are_no_mutant_that_never_ends(tmp_path: Path) -> None:
    (tmp_path / "test_busy.py").write_text(f"{BUSY}\n\ntest_two = test_three = test_one\n")
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    trial = start([str(tmp_path / "test_busy.py")], 2)
    while not trial.look():
        time.sleep(0.02)
    assert (trial.ended, trial.test) == ("passed", "")
