"""Frames against RFC 1662, the registry's CRC library and a receiver that shares no code; and against any damage."""

from __future__ import annotations

from random import Random

import pytest
from crc import Calculator, Crc16
from hypothesis import example, given
from hypothesis import strategies as st

from protocol.specification import specification
from protocol.wire.serial.framing import (
    GOOD,
    Dropped,
    Frame,
    FrameReader,
    TooLong,
    encode_frame,
    fcs,
    fcs_register,
)
from tests.examples import examples
from tests.serial import rfc1662

MOST = specification().most("frame")
PAYLOAD = MOST - 3
FRAMES = st.builds(Frame, st.integers(0, 255), st.binary(max_size=PAYLOAD))


def read(line: bytes) -> list[Frame]:
    return list(FrameReader().feed(line))


def test_the_table_is_that_of_the_standard() -> None:
    """RFC 1662 appendix C.2, the first row of fcstab and the last two: what one octet makes of a register of 0."""
    first = [0x0000, 0x1189, 0x2312, 0x329B, 0x4624, 0x57AD, 0x6536, 0x74BF]
    last = [0xF78F, 0xE606, 0xD49D, 0xC514, 0xB1AB, 0xA022, 0x92B9, 0x8330]
    last += [0x7BC7, 0x6A4E, 0x58D5, 0x495C, 0x3DE3, 0x2C6A, 0x1EF1, 0x0F78]
    assert [fcs_register(bytes((octet,)), 0) for octet in range(8)] == first
    assert [fcs_register(bytes((octet,)), 0) for octet in range(240, 256)] == last


def test_the_check_value_of_the_catalogue() -> None:
    """CRC-16/X-25 of '123456789' is 0x906E, low byte first on the line."""
    assert fcs(b"123456789") == bytes((0x6E, 0x90))


@given(st.binary(max_size=PAYLOAD + 1))
@examples(150)
def test_the_fcs_is_that_of_the_library_and_leaves_the_good_register(data: bytes) -> None:
    """RFC 1662 appendix C.2: PPPGOODFCS16 is 0xf0b8."""
    assert int.from_bytes(fcs(data), "little") == Calculator(Crc16.X25.value).checksum(data)
    assert rfc1662.bit_by_bit(data) == Calculator(Crc16.X25.value).checksum(data)
    assert fcs_register(data + fcs(data)) == GOOD


def test_a_frame_octet_by_octet() -> None:
    """Only 0x7D and 0x7E are escaped, as 0x7D 0x5D and 0x7D 0x5E: a control character goes as it is."""
    frame = Frame(0x7E, bytes((0x7D, 0x00, 0x11, 0x13, 0x20, 0xFF)))
    low, high = fcs(bytes((0x7E, 0x7D, 0x00, 0x11, 0x13, 0x20, 0xFF)))
    assert not {low, high} & {0x7D, 0x7E}
    inside = bytes((0x7D, 0x5E, 0x7D, 0x5D, 0x00, 0x11, 0x13, 0x20, 0xFF, low, high))
    assert encode_frame(frame) == b"\x7e" + inside + b"\x7e"


@given(FRAMES)
@example(Frame(0x7E, b"\x7e" * PAYLOAD))
@example(Frame(1, b""))
@examples(150)
def test_every_frame_is_read_back_here_and_by_the_other_receiver(frame: Frame) -> None:
    line = encode_frame(frame)
    assert line.count(0x7E) == 2
    assert read(line) == [frame]
    assert rfc1662.frames_in(line, MOST) == [bytes((frame.kind,)) + frame.payload]


def test_no_frame_is_longer_than_a_board_can_keep() -> None:
    assert len(encode_frame(Frame(1, b"\x01" * PAYLOAD))) >= MOST + 2
    with pytest.raises(TooLong, match="a frame of 129 bytes, where 128 are allowed"):
        encode_frame(Frame(1, b"\x01" * (PAYLOAD + 1)))


@given(FRAMES, FRAMES, st.binary(max_size=40))
@examples(100)
def test_garbage_before_a_frame_costs_nothing_behind_its_flag(
    first: Frame, second: Frame, noise: bytes
) -> None:
    """What a boot loader prints; where it holds flags, the frame that begins behind it is whole all the same."""
    reader = FrameReader()
    found = list(reader.feed(noise + encode_frame(first) + encode_frame(second)))
    assert found[-2:] == [first, second]
    if 0x7E not in noise:
        assert reader.dropped == Dropped(stray=len(noise))


@given(st.lists(FRAMES, max_size=4), st.lists(st.integers(1, 60), min_size=1, max_size=8))
@examples(100)
def test_the_pieces_in_which_a_line_is_read_do_not_matter(frames: list[Frame], sizes: list[int]) -> None:
    line, reader = b"".join(map(encode_frame, frames)), FrameReader()
    found: list[Frame] = []
    at = turn = 0
    while at < len(line):
        size = sizes[turn % len(sizes)]
        found += reader.feed(line[at : at + size])
        at, turn = at + size, turn + 1
    assert found == frames


@given(st.binary(max_size=400))
@example(b"\x7e\x7d\x7e\x7d\x7e\x7e\x7e")
@example(b"\x7e" + b"\x01" * 200 + b"\x7e")
@examples(200)
def test_any_bytes_are_read_as_the_other_receiver_reads_them(line: bytes) -> None:
    found = [bytes((frame.kind,)) + frame.payload for frame in read(line)]
    assert found == rfc1662.frames_in(line, MOST)


@st.composite
def damaged_lines(draw: st.DrawFn) -> tuple[list[Frame], bytes]:
    """Frames, and a line that carries them with octets flipped, lost, inserted, or cut off."""
    frames = draw(st.lists(FRAMES, min_size=1, max_size=5))
    line = bytearray(b"".join(map(encode_frame, frames)))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(line) - 1)))
        match draw(st.sampled_from(("flip", "lose", "insert", "cut"))):
            case "flip" if line:
                line[at] ^= draw(st.integers(1, 255))
            case "lose" if line:
                del line[at]
            case "insert":
                line.insert(at, draw(st.integers(0, 255)))
            case "cut":
                del line[at : at + draw(st.integers(1, 200))]
    return frames, bytes(line)


@given(damaged_lines(), FRAMES)
@examples(250)
def test_damage_costs_frames_and_never_what_comes_after(
    damaged: tuple[list[Frame], bytes], later: Frame
) -> None:
    """As the other receiver has it, whatever was damaged; and the frame behind the damage is read."""
    _, line = damaged
    found = read(line + encode_frame(later))
    assert found[-1] == later
    whole = rfc1662.frames_in(line + encode_frame(later), MOST)
    assert [bytes((frame.kind,)) + frame.payload for frame in found] == whole


def test_up_to_three_flipped_bits_and_any_burst_of_16_are_always_found() -> None:
    """A frame of 128 bytes is far inside the 32,751 bits over which this polynomial has a distance of 4."""
    chance = Random(1662)
    for _ in range(3000):
        inside = chance.randbytes(chance.randrange(1, MOST - 1))
        good = bytearray(inside + fcs(inside))
        bits = len(good) * 8
        flips = set(chance.sample(range(bits), chance.randrange(1, 4)))
        if chance.random() < 0.5:
            begin = chance.randrange(bits - 15)
            flips = {begin + bit for bit in range(16) if chance.random() < 0.5} or {begin}
        for bit in flips:
            good[bit // 8] ^= 1 << bit % 8
        assert fcs_register(bytes(good)) != GOOD


def test_of_random_frames_one_in_65536_gets_through() -> None:
    """The residual rate as it is stated: noise between two flags passes by chance alone, within four deviations."""
    chance, passed, frames = Random(65536), 0, 1_000_000
    for _ in range(frames):
        passed += fcs_register(chance.randbytes(6)) == GOOD
    expected = frames / 65536
    assert abs(passed - expected) < 4 * expected**0.5
    assert passed > 0
