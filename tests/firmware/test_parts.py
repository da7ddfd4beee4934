"""Parts of the core in C against the same in Python, against the vectors, and through losses of power."""

from __future__ import annotations

import ctypes
from pathlib import Path

import cbor2
import pytest

from protocol.position_table import OutsideTable, PositionTable
from protocol.specification import specification
from protocol.validation import read_message
from reference_node.sensing.rest_reading import Passage, PassageGeometry, rest_reading
from tests.firmware.board import site
from tests.firmware.participant import library
from tests.needs import needs

pytestmark = needs("gcc")
ABSENT = -(2**31)
LOST = 1 << 16


def test_a_table_is_read_as_in_python(tmp_path: Path) -> None:
    core = library(tmp_path, "south")
    crane = site().nodes["south"].crane
    assert crane is not None
    table = PositionTable.of(crane.places["siding"].table)
    for reading in range(table.low - 3, table.high + 4):
        try:
            wanted = table.position(reading)
        except OutsideTable:
            wanted = ABSENT
        assert core.library_position(reading) == wanted, reading


def test_a_rest_reading_is_that_of_the_formulas(tmp_path: Path) -> None:
    """Two tenths of a millimetre and a hundredth: speeds are whole tenths of a millimetre a second in C."""
    core = library(tmp_path, "siding")
    for armed_ms in (900, 1800, 2240, 2900, 3600, 9000):
        for cut_ms in (3, 4):
            for closed_ms in (None, 2, 120, 255, 290, 400):
                for pauses in (0, 1):
                    passage = Passage(
                        armed_ms * 1000,
                        cut_ms * 1000,
                        None if closed_ms is None else closed_ms * 1000,
                        pauses,
                    )
                    wanted = rest_reading(passage, PassageGeometry())
                    seen = core.library_reading(
                        armed_ms, cut_ms, closed_ms or 0, pauses, closed_ms is not None
                    )
                    assert abs(seen - wanted) <= 2 + wanted // 100, (armed_ms, cut_ms, closed_ms, pauses)


def vectors() -> list[tuple[str, bytes, bool]]:
    """Name, bytes and whether a receiver reads it, of every order in CBOR among the vectors."""
    found = []
    for name in ("job-order", "invalid"):
        for one in specification().vectors(name):
            payload = bytes.fromhex(one["hex"])
            if one["message"] == "job-order" and "topic" not in one and payload[:1] not in (b"{", b"\xef"):
                readable = read_message("job-order", payload, closed=False).readable
                found.append((str(one["name"]), payload, readable))
    return found


@pytest.mark.parametrize(("name", "payload", "readable"), vectors(), ids=[name for name, _, _ in vectors()])
def test_a_vector_is_read_as_the_kit_reads_it(
    name: str, payload: bytes, readable: bool, reader: object
) -> None:
    assert reader.library_reads(payload, len(payload)) is readable, name  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> object:
    return library(tmp_path_factory.mktemp("reader"), "north")


def test_a_boot_is_never_one_that_was(tmp_path: Path) -> None:
    """The power fails after each number of writes; whoever comes up then has a number that no start before had."""
    for fails_after in range(5):
        core = library(tmp_path / str(fails_after), "ferry")
        core.library_erase()
        first = core.library_boot(-1)
        assert first & LOST  # Erased cells hold no number: it is drawn, and said to be.
        given = [first & 0xFFFF]
        given += [core.library_boot(-1) for _ in range(6)]
        torn = core.library_boot(fails_after)
        after = core.library_boot(-1)
        assert not after & LOST
        assert given == list(range(given[0], given[0] + 7))
        assert after not in given
        # Cut short, it may have told nobody yet; written whole, the next has to be another.
        assert after != torn or fails_after < 4


def test_an_axis_moves_within_its_speed(tmp_path: Path) -> None:
    core = library(tmp_path, "north")
    core.library_start(7, True, 0)
    core.yw_connected()
    deadline = 100_000
    for at, order in (
        (10, {0: 7, 1: 1, 2: 7, 3: deadline}),
        (20, {0: 7, 1: 2, 2: 13, 20: [[2, True, 900], [3, True, 0], [4, True, 0]]}),
    ):
        core.library_at(at)
        payload = cbor2.dumps(order, canonical=True)
        core.yw_receive(payload, len(payload), False)
    for ms in range(21, 30_000):
        core.library_at(ms)
        core.yw_tick()
    payload = cbor2.dumps({0: 7, 1: 3, 2: 9, 3: deadline, 14: [590, 10, 10]})
    core.yw_receive(payload, len(payload), False)
    assert not core.library_motor()
    core.yw_tick()
    core.yw_tick()
    assert core.library_motor()
    for ms in range(30_001, 40_000):
        core.library_at(ms)
        core.yw_tick()
    assert not core.library_motor()
    least, most = (ctypes.c_int16.in_dll(core, name).value for name in ("least_step", "most_step"))
    assert -5 <= least < 0 < most <= 5  # 400 mm/s are 4 mm in a step of 10 ms.


POWER = 1 << 6


def test_no_output_is_on_before_an_order(tmp_path: Path) -> None:
    """SAF-02, FLT-05: in service, with motor power there; and off again, until the next order, after a loss of it."""
    core = library(tmp_path, "north")
    core.library_start(7, False, POWER)
    core.yw_connected()

    clock = [0]

    def calls(until_ms: int) -> int:
        counted = ctypes.c_int16.in_dll(core, "axis_calls")
        before = counted.value
        for ms in range(until_ms - 3000, until_ms):
            core.library_at(max(ms, clock[0]))
            clock[0] = max(ms, clock[0])
            core.yw_tick()
        return counted.value - before

    assert calls(3000) == 0
    home = cbor2.dumps({0: 7, 1: 1, 2: 7, 3: 60_000})
    core.yw_receive(home, len(home), False)
    assert calls(3200) > 0
    core.library_pins(0)
    assert calls(3300) <= 3  # One round of the loop may still be of the time before.
    core.library_pins(POWER)
    reset = cbor2.dumps({0: 7, 1: 2, 2: 5, 17: 1})
    core.yw_receive(reset, len(reset), False)
    assert calls(6000) == 0


def test_a_board_in_service_believes_no_tester(tmp_path: Path) -> None:
    """BEN-01: refused, and what it says plays nothing."""
    core = library(tmp_path, "siding")
    core.library_start(7, False, POWER)
    core.yw_connected()
    out = (ctypes.c_uint8 * 16_384)()
    core.library_take(out)
    order = cbor2.dumps({0: 7, 1: 1, 2: 13, 20: [[6, False, 0]]})
    core.yw_receive(order, len(order), False)
    said = bytes(out[: core.library_take(out)])
    assert bytes((11, 11)) in said  # reason, key 11: 'not-bench', word 11.


HELD = bytes((6, 0xF5))


def padded(length: int) -> bytes:
    """A hold of so many bytes, behind it a text in a field that no order of this version has."""
    return bytes.fromhex("a20202181e79") + (length - 8).to_bytes(2) + b"a" * (length - 8)


SIZES = [
    ("siding", padded(127), True),
    ("siding", padded(128), False),
    ("siding", cbor2.dumps({2: 2}) + b"\0" * 256, False),  # 3 bytes where a length has 8 bits
    ("ferry", padded(32_767), True),
    ("ferry", padded(32_768), False),
    # A map of 32,768 pairs has twice as many values, which are none where a number has 16 bits.
    ("ferry", bytes.fromhex("a30202181eb98000181f798000") + b"a" * 32_768, False),
]


@pytest.fixture(scope="module")
def cores(tmp_path_factory: pytest.TempPathFactory) -> dict[str, ctypes.CDLL]:
    folder = tmp_path_factory.mktemp("sizes")
    return {node: library(folder / node, node) for node in ("siding", "ferry")}


@pytest.mark.parametrize(("node", "payload", "obeyed"), SIZES)
def test_what_is_longer_than_the_most_is_refused(
    node: str, payload: bytes, obeyed: bool, cores: dict[str, ctypes.CDLL]
) -> None:
    """ENC-08: behind a count that is too narrow a long payload is a short order, and this one is a hold."""
    core = cores[node]
    core.library_start(7, True, 0)
    core.yw_connected()
    out = (ctypes.c_uint8 * 16_384)()
    core.library_take(out)
    core.yw_receive(payload, len(payload), False)
    assert (HELD in bytes(out[: core.library_take(out)])) is obeyed
