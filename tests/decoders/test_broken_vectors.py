"""Every vector cut off at every length and with bits flipped: judged, in bounded memory."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conformance.bench.mqtt.framing import packet, string
from conformance.fuzz.generate.hostile import Hostile, all_hostile
from protocol.specification import specification
from tests.decoders.verdicts import packet_is_told, payload_is_judged
from tests.protocol.vectors import Vector, vectors
from tests.sample import sampled

LARGE = 150
"""Bytes above which a vector is one that is too long, and is cut and flipped in its first so many only."""
MEMORY = 1 << 20
PER_BYTE = 100
"""Bytes of memory for each byte of a payload: an object of Python for every one of them."""


NUMBERED = list(enumerate(vectors()))


@pytest.mark.parametrize("one", sampled(NUMBERED, NUMBERED[::4], rest="slow"))
def test_a_broken_vector_is_judged(one: tuple[int, Vector]) -> None:
    """Cut off at every length; a bit of every third byte flipped, of another third in the next vector."""
    number, vector = one
    whole = vector.payload
    short = min(len(whole), LARGE)
    for length in range(short):
        payload_is_judged(vector.message, whole[:length])
    for at in range(number % 3, short, 3):
        payload_is_judged(vector.message, flipped(whole, at, (at + number) % 8))
    for tail in (b"\x00", b"{", b"\xff", whole):
        payload_is_judged(vector.message, whole + tail)


@pytest.mark.parametrize("vector", sampled(vectors()[::25], vectors()[::100], rest="slow"))
def test_it_takes_no_more_memory_than_a_sound_one(vector: Vector) -> None:
    payload_is_judged(vector.message, vector.payload)  # What is kept for good is made by now.
    tracemalloc.start()
    try:
        for at in range(min(len(vector.payload), LARGE)):
            payload_is_judged(vector.message, flipped(vector.payload, at, 7 - at % 8))
        assert tracemalloc.get_traced_memory()[1] < MEMORY
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("vector", vectors()[::10], ids=str)
def test_a_broken_packet_is_told(vector: Vector) -> None:
    raw = packet(0x32, string("yw1/harlow-basin/north/job-order") + b"\x00\x07" + vector.payload)
    for length in range(min(len(raw), LARGE)):
        packet_is_told(raw[:length])
    for at in range(min(len(raw), LARGE)):
        for bit in range(8):
            packet_is_told(flipped(raw, at, bit))


@pytest.mark.parametrize("one", all_hostile(), ids=lambda one: one.name)
def test_a_hostile_payload_takes_memory_by_its_size(one: Hostile) -> None:
    payload_is_judged("job-order", one.payload)
    tracemalloc.start()
    try:
        payload_is_judged("job-order", one.payload)
        assert tracemalloc.get_traced_memory()[1] < MEMORY + PER_BYTE * len(one.payload)
    finally:
        tracemalloc.stop()


@given(st.sampled_from(sorted(specification().messages)), st.sampled_from([b"", b"{", b"\xa2"]), st.binary())
def test_any_bytes_are_judged(message: str, start: bytes, rest: bytes) -> None:
    payload_is_judged(message, start + rest)
    packet_is_told(start + rest)


def flipped(whole: bytes, at: int, bit: int) -> bytes:
    broken = bytearray(whole)
    broken[at] ^= 1 << bit
    return bytes(broken)
