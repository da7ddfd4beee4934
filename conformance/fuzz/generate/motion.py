"""What may move a machine, and what surely does not: the guard of a run without motion."""

from __future__ import annotations

from protocol.specification import specification
from protocol.validation import read_message


def harmless(payload: bytes) -> bool:
    """Whether an order, read as tolerantly as a node may, can move nothing.

    What cannot be read is harmless only if it is none of a moving act with a flaw, which a careless node
    would obey: it is let through where no moving act is named in it.
    """
    body = read_message("job-order", payload, closed=False).body
    if body is None:
        return not _names_a_moving_act(payload)
    return body["act"] not in moving_acts()


def moving_acts() -> frozenset[str]:
    """Acts after which something may move."""
    return specification().jobs | {"resume"}


def _names_a_moving_act(payload: bytes) -> bool:
    words = specification().words("act")
    if any(f'"{act}"'.encode() in payload for act in moving_acts()):
        return True
    return any(bytes([2, words.index(act)]) in payload for act in moving_acts())
