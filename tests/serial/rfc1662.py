"""A receiver of RFC 1662 frames written from the text of the standard alone, for comparison with ours.

Nothing of the project is imported. The FCS is computed bit by bit over the polynomial of appendix C.1, not by a table.
"""

from __future__ import annotations


def frames_in(line: bytes, longest: int) -> list[bytes]:
    """What stands between flags, escapes and FCS removed, of every frame whose FCS is right (sections 4.2 to 4.4)."""
    # "All implementations MUST continuously check for this flag"; what is before the first one is no frame.
    between = line.split(b"\x7e")[1:-1]
    return [inside[:-2] for inside in map(_unescaped, between) if inside and _is_right(inside, longest)]


def _unescaped(stuffed: bytes) -> bytes | None:
    """None for an aborted frame: "The Control Escape octet followed immediately by a closing Flag"."""
    out = bytearray()
    octets = iter(stuffed)
    for octet in octets:
        if octet == 0x7D:
            following = next(octets, None)
            if following is None:
                return None
            out.append(following ^ 0x20)
        else:
            out.append(octet)
    return bytes(out)


def _is_right(inside: bytes, longest: int) -> bool:
    if not 3 <= len(inside) <= longest:
        return False
    return bit_by_bit(inside[:-2]) == int.from_bytes(inside[-2:], "little")


def bit_by_bit(data: bytes) -> int:
    """The ones complement of the remainder (appendix C.1): x^16 + x^12 + x^5 + 1, least significant bit first."""
    register = 0xFFFF
    for octet in data:
        for place in range(8):
            bit = octet >> place & 1
            feedback = (register & 1) ^ bit
            register >>= 1
            if feedback:
                # x^12 and x^5 in a register whose bit 0 is the oldest: 15-12=3, 15-5=10, and the new bit 15.
                register ^= 1 << 15 | 1 << 10 | 1 << 3
    return register ^ 0xFFFF
