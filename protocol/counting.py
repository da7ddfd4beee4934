"""Arithmetic of counts that wrap, and of order ids."""

from __future__ import annotations

UPTIME_MODULUS = 1 << 32
COUNT_MODULUS = 1 << 16
CLAIM_STEP = 1 << 20
CLAIM_SPREAD = 1 << 8


def uptime_difference(later: int, earlier: int) -> int:
    """`later - earlier` in ms as a signed 32-bit difference, true up to 24.8 days [ORD-11]."""
    return (later - earlier + (UPTIME_MODULUS >> 1)) % UPTIME_MODULUS - (UPTIME_MODULUS >> 1)


def next_count(count: int) -> int:
    """The 16-bit count after `count`: 0 after 65535 [MSG-07]."""
    return (count + 1) % COUNT_MODULUS


def claim_id(mark: int, random_bits: int) -> int:
    """The id of a claim above `mark`: n * 2^20 + r * 2^8, n the least with n * 2^20 above the mark [SUP-03].

    `random_bits` are 12 random bits. Raises OverflowError when the ids of this boot are used up, which takes
    4,095 claims in one boot of the node.
    """
    low = (random_bits % (CLAIM_STEP // CLAIM_SPREAD)) * CLAIM_SPREAD
    claim = (mark // CLAIM_STEP + 1) * CLAIM_STEP + low
    if claim + CLAIM_SPREAD > 1 << 32:
        raise OverflowError("the order ids of this boot are used up; restart the node")
    return claim


def int16(position: int) -> int:
    """A signed number as near as 16 bits allow: before homing the count of an axis may be anything."""
    return max(-32768, min(position, 32767))
