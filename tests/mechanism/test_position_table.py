from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.position_table import OutsideTable, PositionTable

sixteen_bits = st.integers(-32768, 32767)
tables = st.lists(
    st.tuples(sixteen_bits, sixteen_bits), min_size=2, max_size=12, unique_by=lambda point: point[0]
).map(lambda points: PositionTable(tuple(sorted(points))))


@given(tables, st.data())
def test_it_interpolates_as_numpy_does(table: PositionTable, data: st.DataObject) -> None:
    """numpy.interp, a general-purpose library, within the half unit of rounding."""
    reading = data.draw(st.integers(table.low, table.high))
    readings, positions = zip(*table.points, strict=True)
    assert table.position(reading) == pytest.approx(np.interp(reading, readings, positions), abs=0.5 + 1e-6)


@given(tables)
def test_measured_points_are_met(table: PositionTable) -> None:
    assert [table.position(reading) for reading, _ in table.points] == [place for _, place in table.points]


def test_the_error_is_within_the_textbook_bound() -> None:
    """h^2 / 8 * max|f''|, linear interpolation, numerical analysis textbooks; f = 9000 sin(x / 900)."""
    amplitude, scale, apart = 9000, 900, 150

    def curve(reading: int) -> float:
        return amplitude * math.sin(reading / scale)

    table = PositionTable(tuple((reading, round(curve(reading))) for reading in range(-1350, 1351, apart)))
    bound = apart**2 / 8 * amplitude / scale**2
    worst = max(abs(table.position(reading) - curve(reading)) for reading in range(-1350, 1351))
    assert worst <= bound + 1, "half a unit of rounding in the points, half in the result"
    assert worst > bound / 2, "the bound is near, so the check can fail"


@pytest.mark.parametrize(
    ("reading", "position"), [(0, 0), (1, 1), (2, 1), (3, 2), (-1, -1), (-2, -1), (-3, -2), (4, 2)]
)
def test_halves_round_away_from_zero(reading: int, position: int) -> None:
    assert PositionTable(((-4, -2), (4, 2))).position(reading) == position


@given(tables, sixteen_bits)
def test_outside_the_table_it_refuses(table: PositionTable, reading: int) -> None:
    if table.low <= reading <= table.high:
        table.position(reading)
        return
    with pytest.raises(OutsideTable) as refused:
        table.position(reading)
    assert (refused.value.reading, refused.value.low, refused.value.high) == (reading, table.low, table.high)


def test_the_refusal_says_what_to_do() -> None:
    table = PositionTable.of([[100, 2000], [300, 1800]])
    with pytest.raises(
        OutsideTable, match=r"301 is outside .* from 100 to 300; bring the train in again, or"
    ):
        table.position(301)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([], "two points"),
        ([[1, 2]], "two points"),
        ([[1, 2], [1, 3]], "must increase, but 1 follows 1"),
        ([[2, 2], [1, 3]], "must increase, but 1 follows 2"),
        ([[1, 2], [40000, 3]], "16 bits"),
        ([[1, -32769], [2, 3]], "16 bits"),
        ([[1, 2], [2, 3, 4]], "a pair"),
    ],
)
def test_what_is_no_table_is_refused(points: list[list[int]], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        PositionTable.of(points)
