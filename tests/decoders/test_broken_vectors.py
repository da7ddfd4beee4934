"""Every vector cut off at every length and with a bit of every byte flipped: judged, in bounded memory."""

from __future__ import annotations

import tracemalloc

import pytest

from conformance.bench.framing import packet, string
from tests.decoders.verdicts import packet_is_told, payload_is_judged
from tests.protocol.vectors import Vector, vectors

LARGE = 150
"""Bytes above which a vector is one that is too long, and is cut and flipped in its first so many only."""
MEMORY = 1 << 20


@pytest.mark.parametrize("vector", vectors(), ids=str)
def test_a_broken_vector_is_judged(vector: Vector) -> None:
    whole = vector.payload
    short = min(len(whole), LARGE)
    for length in range(short):
        payload_is_judged(vector.message, whole[:length])
    for at in range(short):
        payload_is_judged(vector.message, flipped(whole, at, at % 8))
    for tail in (b"\x00", b"{", b"\xff", whole):
        payload_is_judged(vector.message, whole + tail)


@pytest.mark.parametrize("vector", vectors()[::25], ids=str)
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


def flipped(whole: bytes, at: int, bit: int) -> bytes:
    broken = bytearray(whole)
    broken[at] ^= 1 << bit
    return bytes(broken)
