"""What the ends of a line tell each other, as octets and back; and that the data of the line says one thing."""

from __future__ import annotations

import cbor2
import pytest
from crc import Calculator, Crc16
from hypothesis import given
from hypothesis import strategies as st

from protocol.codec import encode
from protocol.site import Encoding
from protocol.sizes import worst_sizes
from protocol.specification import STATE_MESSAGES, specification
from protocol.wire.serial.framing import Frame, encode_frame
from protocol.wire.serial.line_message import Bus, Connection, Here, read_bus, read_here
from tests.examples import examples

SPEC = specification()
COUNTS = st.integers(0, 65535)
CONNECTIONS = st.builds(Connection, COUNTS, COUNTS)
NAMES = st.text("ABCxyz019-", min_size=1, max_size=8)


def test_every_kind_has_its_own_number_and_the_top_bit_says_from_whom() -> None:
    kinds = SPEC.line_kinds.values()
    assert len({kind.number for kind in kinds}) == len(SPEC.line_kinds)
    assert {kind.number >> 7 for kind in kinds if kind.sender == "node"} == {0}
    assert {kind.number >> 7 for kind in kinds if kind.sender == "gateway"} == {1}
    assert not {kind.number for kind in kinds} & {0x7D, 0x7E}, "a kind would be escaped in every frame"


def test_what_a_node_sends_on_the_bus_passes_and_a_yard_map_does_not() -> None:
    carried = {kind.carries for kind in SPEC.line_kinds.values() if kind.sender == "node"} - {""}
    assert carried == {*STATE_MESSAGES, "job-report"}
    to_node = {(kind.carries, kind.to) for kind in SPEC.line_kinds.values() if kind.sender == "gateway"}
    assert to_node == {("", ""), ("job-order", "own"), ("job-order", "all")}


@pytest.mark.parametrize(
    "row", worst_sizes(), ids=lambda row: f"{row.message} {row.act} {row.encoding.value}"
)
def test_every_message_that_passes_fits_into_a_frame(row: object) -> None:
    sizes = [one for one in worst_sizes() if one is row]
    for size in sizes:
        if size.encoding is Encoding.CBOR and size.message != "yard-map":
            assert size.payload + 3 <= SPEC.most("frame")


def test_the_longest_here_fits_too() -> None:
    here = Here(Connection(65535, 65535), "x" * 12, "y" * 8)
    assert len(here.frame().payload) == 35
    assert read_here(here.frame().payload) == here


def test_with_off_the_first_three_fields_are_the_will() -> None:
    """As cbor2 and the project's own codec write a node-status with 'off'."""
    will = encode("node-status", {"boot": 4711, "state": "off", "link": 2}, Encoding.CBOR)
    assert Bus(Connection(4711, 2), "off").frame() == Frame(0x81, will)
    assert will == cbor2.dumps({0: 4711, 9: 1, 10: 2})
    inside = b"\x81" + will
    check = Calculator(Crc16.X25.value).checksum(inside).to_bytes(2, "little")
    assert encode_frame(Bus(Connection(4711, 2), "off").frame()) == b"\x7e" + inside + check + b"\x7e"


@given(CONNECTIONS, st.sampled_from(("on", "off", "new")), NAMES, NAMES)
@examples(100)
def test_what_is_written_is_read(connection: Connection, state: str, site: str, node: str) -> None:
    assert read_bus(Bus(connection, state).frame().payload) == Bus(connection, state)
    assert read_here(Here(connection).frame().payload) == Here(connection)
    wanting = Here(connection, site, node)
    assert read_here(wanting.frame().payload) == wanting
    assert wanting.wants
    assert not Here(connection).wants


@pytest.mark.parametrize(
    "body",
    [
        {0: 1, 9: 1, 10: 1},  # wants a connection, and names nobody
        {0: 1, 9: 1, 10: 1, 20: "harlow-basin"},
        {0: 1, 9: 1, 10: 1, 20: "harlow-basin", 21: "all"},  # LNK-17
        {0: 1, 9: 1, 10: 1, 20: "harlow/basin", 21: "north"},
        {0: 1, 9: 1, 10: 1, 20: "harlow-basin", 21: "north#"},
        {0: 1, 9: 1, 10: 1, 20: "harlow-basin", 21: ""},
        {0: 1, 9: 2, 10: 1, 20: "harlow-basin", 21: "north"},  # 'new' is a word of the gateway
        {0: 1, 9: True, 10: 1, 20: "harlow-basin", 21: "north"},
        {0: 65536, 9: 0, 10: 1},
        {0: -1, 9: 0, 10: 1},
        {0: 1, 9: 0},
        {0: "1", 9: 0, 10: 1},
        {False: 1, 9: 0, 10: 1},
        {},
    ],
    ids=str,
)
def test_what_cannot_be_believed_is_not(body: dict[int, object]) -> None:
    assert read_here(cbor2.dumps(body)) is None


@pytest.mark.parametrize(
    "payload", [b"", b"\x00", b"{}", cbor2.dumps([1, 1]), cbor2.dumps({0: 1, 9: 9, 10: 1})]
)
def test_no_bus_is_there_on_a_payload_that_says_none(payload: bytes) -> None:
    assert read_bus(payload) is None


def test_a_field_of_a_later_version_is_ignored() -> None:
    """ENC-09."""
    assert read_bus(cbor2.dumps({0: 1, 9: 0, 10: 2, 22: 5})) == Bus(Connection(1, 2), "on")


@given(st.binary(max_size=60))
@examples(200)
def test_no_payload_raises_an_error(payload: bytes) -> None:
    read_here(payload)
    read_bus(payload)
