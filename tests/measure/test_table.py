"""From pairs to a table: what is chosen, named, bounded, asked about and written."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from conformance.measure.arrivals import arrivals_of
from conformance.measure.causes import causes
from conformance.measure.choice import Choice, choose
from conformance.measure.findings import findings
from conformance.measure.fit.curve import half_width
from conformance.measure.fit.interpolants import Interpolant, Points
from conformance.measure.fit.terms import Kind
from conformance.measure.next_point import next_point
from conformance.measure.outliers import doubts
from conformance.measure.pairs import Approach, Pair, pairs_text, read_pairs
from conformance.measure.site_table import replaced
from conformance.measure.thinning import thin
from protocol.position_table import PositionTable
from protocol.site_file import read_site, scenario_text
from protocol.trouble import Trouble
from reference_node.mechanism.imperfection import Eccentric, Mechanism, SlippedTooth
from tests.measure.survey import HIGH, LOW, survey

CLEAN = Mechanism(250, 0.1, 0.2, eye=0.05)


def fitted(pairs: list[Pair]) -> tuple[Choice, tuple[str, ...], list[str]]:
    arrivals = arrivals_of(pairs)
    shown = causes(arrivals, np.random.default_rng(1))
    return choose(arrivals, shown), shown.named, findings(arrivals, shown, "mm")


# ---------------------------------------------------------------- pairs
def test_pairs_file_is_read_as_it_is_written() -> None:
    pairs = survey(CLEAN, random.Random(1), 5)
    again = read_pairs(pairs_text(pairs, ["a remark"]), "pairs.csv")
    assert [replace(pair, line=0) for pair in again] == pairs
    assert again[0].line == 3


def test_pairs_of_somebody_else() -> None:
    text = "\ufeffPosition; Reading;colour\n12,5;1;red\n"
    with pytest.raises(Trouble, match=r"line 2: invalid position '12,5'"):
        read_pairs(text, "p.csv")
    assert read_pairs(text.replace("12,5", "12.5"), "p.csv") == (Pair(1, 12.5, line=2),)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no pair in the file"),
        ("reading,place\n1,2\n", "no column 'position'"),
        ("reading,position\n1\n", "line 2: 1 columns"),
        ("reading,position\n1.5,2\n", "not a whole number"),
        ("reading,position\n70000,2\n", "not a whole number"),
        ("reading,position\n1,nan\n", "invalid position"),
        ("reading,position,approach\n1,2,left\n", "invalid approach"),
        ("reading,position,time\n1,2,noon\n", "invalid time"),
        ("reading,position,uncertainty\n1,2,0\n", "not above 0"),
        ('reading,position\n"1,2\n', "not CSV"),
    ],
)
def test_mistakes_of_a_pairs_file(text: str, told: str) -> None:
    with pytest.raises(Trouble, match=told):
        read_pairs(text, "pairs.csv")


def test_both_directions_of_one_arrival_count_once() -> None:
    both = [
        Pair(reading, 10.0 * reading + way, side)
        for reading in (1, 2, 3)
        for way, side in ((0.5, Approach.UP), (-0.5, Approach.DOWN))
    ]
    arrivals = arrivals_of(both)
    assert arrivals.number == 3
    assert arrivals.position.tolist() == [10, 20, 30]
    assert arrivals.gap is not None
    assert arrivals.gap.size == pytest.approx(1.0)
    # Where nobody noted a direction, nobody knows whether it was one arrival.
    assert arrivals_of([Pair(1, 1.0), Pair(1, 2.0), Pair(2, 3.0), Pair(3, 4.0)]).number == 4


# ---------------------------------------------------------------- choice
def test_three_readings_allow_a_line_alone() -> None:
    choice, named, _ = fitted([Pair(100, 10.0), Pair(200, 20.2), Pair(300, 29.9)])
    assert choice.curve.name == "straight line"
    assert "3 readings" in choice.reason
    assert named == ()
    with pytest.raises(Trouble, match="2 different readings"):
        arrivals_of([Pair(100, 10.0), Pair(200, 20.0), Pair(200, 20.1)])


@pytest.mark.parametrize(
    "readings", [(100, 250, 400), (100, 210, 330, 400), tuple(range(100, 500, 50))], ids=len
)
def test_few_pairs_on_one_line_to_the_last_digit_tell_nothing_of_their_scatter(
    readings: tuple[int, ...],
) -> None:
    """Positions read in whole steps may do that by chance: 'within 0.0000000000015 mm' would be false."""
    with pytest.raises(Trouble, match="to the last digit"):
        fitted([Pair(reading, round(300 + reading / 10, 2), Approach.UP, "T") for reading in readings])


def test_three_hundred_pairs() -> None:
    rng = random.Random(3)
    pairs = [Pair(reading, CLEAN.arrival(reading, "a", rng)) for reading in range(100, 700, 2)]
    choice, named, _ = fitted(pairs)
    assert (choice.curve.name, named) == ("straight line", ())


def test_exact_pairs_are_no_accident() -> None:
    """Whole numbers on a line leave no residual at all: still an answer, and no division by nothing."""
    choice, _, _ = fitted([Pair(reading, reading / 10) for reading in range(100, 200, 10)])
    assert choice.curve.name == "straight line"
    assert np.isfinite(half_width(choice.curve, np.array([150.0]))).all()


def test_eccentric_is_named_with_its_size() -> None:
    truth = replace(CLEAN, imperfections=(Eccentric(1.5, 200, 1.0),))
    choice, named, said = fitted(survey(truth, random.Random(4)))
    assert named == ("period",)
    assert choice.curve.name == "line plus one period"
    size, off, length, room = map(float, re.findall(r"[0-9.]+", said[0]))
    assert abs(size - 1.5) <= off + 0.05 <= 0.2
    assert abs(length - 200) <= room <= 5
    assert "AICc agrees" in choice.reason


def test_slipped_tooth_is_named_with_its_place() -> None:
    truth = replace(CLEAN, imperfections=(SlippedTooth(415, 2.0),))
    pairs = survey(truth, random.Random(5))
    readings = sorted({pair.reading for pair in pairs})
    before = max(reading for reading in readings if reading <= 415)
    after = min(reading for reading in readings if reading > 415)
    choice, named, said = fitted(pairs)
    assert named == ("step",)
    assert f"between readings {before} and {after}" in said[0]
    inside = np.array([(before + after) / 2])
    assert half_width(choice.curve, inside)[0] > 0.9  # Nobody knows on which side of the jump it is.


def test_play_and_an_unsure_locomotive() -> None:
    truth = replace(CLEAN, play=0.8, scatters={"freight": 1.4})
    _, named, said = fitted(survey(truth, random.Random(6), 36))
    assert named == ("gap", "trains")
    size, off = map(float, re.findall(r"[0-9.]+", said[0]))
    assert abs(size - 0.8) <= off <= 0.05
    assert "coming up" in said[0]
    assert "more than coming down" in said[0]
    assert "'freight'" in said[1]


def test_many_bends_are_left_to_pieces() -> None:
    """What no line with terms describes is taken as it was measured."""
    rng = random.Random(8)
    pairs = [
        Pair(r, 0.1 * r + 6 * abs(((r / 55) % 2) - 1) ** 3 * (1 if r < 400 else -2) + rng.gauss(0, 0.02))
        for r in range(100, 700, 6)
    ]
    choice, _, _ = fitted(pairs)
    assert choice.curve.name in ("straight pieces", "monotone cubic")
    assert "chance could not have made" in choice.reason


# ---------------------------------------------------------------- where next
def test_next_is_where_it_helps() -> None:
    """In the largest gap of straight pieces; between the readings around a jump; and enough is enough."""
    x = np.array([100.0, 200, 300, 600, 700])
    pieces = Interpolant(Points(x, x**2 / 5000, np.full(5, 1.0)), 0.01, 5, monotone=False)
    truth = replace(CLEAN, imperfections=(SlippedTooth(415, 2.0),))
    arrivals = arrivals_of(survey(truth, random.Random(5)))
    shown = causes(arrivals, np.random.default_rng(1))
    found = next_point(arrivals, pieces, shown, None)
    assert (found.reading, found.enough) == (450, None)
    assert found.expected < found.bound
    choice = choose(arrivals, shown)
    step = next_point(arrivals, choice.curve, shown, 0.5)
    plain = arrivals_of(survey(CLEAN, random.Random(5)))
    none = causes(plain, np.random.default_rng(1))
    end = next_point(plain, choose(plain, none).curve, none, None)
    assert end.reading in (LOW, HIGH)  # A line is known least at its ends.
    assert 0.8 * end.bound < end.expected < end.bound
    low, high = shown.fit.edges[0]
    assert low < step.reading < high
    assert step.enough is False
    assert next_point(arrivals, choice.curve, shown, 50).enough is True


# ---------------------------------------------------------------- outliers
def test_a_wrong_pair_is_asked_about_and_kept() -> None:
    pairs = survey(CLEAN, random.Random(9), 20)
    index = next(number for number, pair in enumerate(pairs) if 300 < pair.reading < 500)
    wrong = [
        replace(pair, position=pair.position + 5) if pair.reading == pairs[index].reading else pair
        for pair in pairs
    ]
    lined = read_pairs(pairs_text(wrong), "p")
    arrivals = arrivals_of(lined)
    shown = causes(arrivals, np.random.default_rng(1))
    found = doubts(arrivals, shown)
    assert [one.reading for one in found] == [pairs[index].reading]
    assert found[0].off == pytest.approx(5, abs=1)
    assert arrivals.number == 20  # It counts all the same.
    assert doubts(arrivals_of(pairs), causes(arrivals_of(pairs), np.random.default_rng(1))) == []


# ---------------------------------------------------------------- the table
def test_thinning_finds_the_least_error() -> None:
    """Against every choice of four points, over a curve with few whole readings."""
    x = np.arange(0.0, 13.0)
    y = np.round(40 * np.sin(x / 4))
    curve = Interpolant(Points(x, y, np.ones(13)), 0.1, 5, monotone=False)
    least = min(
        np.abs(np.interp(x, [0, *inner, 12], [y[0], *(y[list(inner)]), y[12]]) - y).max()
        for inner in combinations(range(1, 12), 2)
    )
    points = thin(curve, 0, 12, 4).points
    assert len(points) == 4
    exact = np.abs(np.interp(x, [p[0] for p in points], [p[1] for p in points]) - y).max()
    assert exact == pytest.approx(least)
    assert thin(curve, 0, 12, 32).worst <= 0.5


@pytest.mark.parametrize("most", [2, 3, 8, 32])
def test_thinned_tables_are_tables(most: int) -> None:
    truth = replace(CLEAN, imperfections=(Eccentric(1.5, 200, 1.0),))
    choice, _, _ = fitted(survey(truth, random.Random(4)))
    table = thin(choice.curve, LOW, HIGH, most)
    assert len(table.points) <= most
    read = PositionTable(table.points)
    assert (read.low, read.high) == (LOW, HIGH)
    off = max(
        abs(read.position(r) - choice.curve.position(np.array([float(r)]))[0]) for r in range(LOW, HIGH + 1)
    )
    assert off == pytest.approx(table.worst)


def test_the_site_file_keeps_its_comments() -> None:
    before = scenario_text()
    after = replaced(before, "south", "siding", [(100, 310), (400, 345)], "2026-01-02")
    gone = [line for line in before.splitlines() if line not in after.splitlines()]
    assert gone == [next(line for line in before.splitlines() if line.startswith("table = "))]
    assert "# before 2026-01-02: [[102, 312], [128, 315]," in after
    site = read_site(after.encode(), "site.toml")
    crane = site.nodes["south"].crane
    assert crane is not None
    assert crane.places["siding"].table == ((100, 310), (400, 345))
    assert site.nodes["south"].digest != read_site(before.encode(), "x").nodes["south"].digest
    again = replaced(after, "south", "siding", [(100, 311), (400, 345)], "2026-01-03")
    assert again.count("# before") == 2
    assert replaced(again, "south", "siding", [(100, 311), (400, 345)], "2026-01-04").count("# before") == 2
    assert (
        replaced(before.replace("\n", "\r\n"), "south", "siding", [(1, 2), (3, 4)], "d").count("\r\n") > 100
    )
    with pytest.raises(Trouble, match=r"no \[nodes.north.crane.places.siding\]"):
        replaced(before, "north", "siding", [(1, 2), (3, 4)], "d")


def test_kinds_have_words() -> None:
    assert {kind.value for kind in Kind} == {"curvature", "period", "step", "gap", "drift"}
