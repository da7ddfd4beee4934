"""The bugs that a shuttle in C can be built with: what brings each out, and what is seen then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cbor2

from tests.faulty_nodes.c.board import BEFORE_THE_WRAP

DIES, SILENT, WRONG = "dies", "silent", "wrong answer"
ASK, RESET_FAULT, RUN = 0, 5, 12
Trigger = Callable[[int, int], list[bytes]]
"""The orders for a boot, with ids above this one."""


@dataclass(frozen=True, slots=True)
class Bug:
    """One bug of the firmware."""

    says: str
    trigger: Trigger
    shows: str
    words: str = ""
    """What the sanitizers say, as a regular expression."""
    uptime: int = 0
    fuzzer: str = ""
    """The requirement by which the fuzzer finds it within its first cases; '' where it takes longer."""
    needs: str = "payload"
    """What brings it out, by the words of the bugs in Python."""


def order(act: int, boot: int, id_: int, **fields: int) -> bytes:
    keys = {"faults": 17, "deadline": 3}
    return cbor2.dumps({0: boot, 1: id_, 2: act} | {keys[name]: value for name, value in fields.items()})


def behind(whole: bytes, pair: str) -> bytes:
    """A map of less than 23 pairs with one more, in hexadecimal, at its end."""
    return bytes([whole[0] + 1]) + whole[1:] + bytes.fromhex(pair)


def place(text: str) -> Trigger:
    """A reset-fault whose place, key 19, is this CBOR."""
    return lambda boot, id_: [behind(order(RESET_FAULT, boot, id_ + 1, faults=0), "13" + text)]


def bytes_of(*payloads: bytes) -> Trigger:
    return lambda boot, id_: list(payloads)


def beyond_the_wrap(boot: int, id_: int) -> list[bytes]:
    deadline = (BEFORE_THE_WRAP + 90_000) % 2**32
    return [behind(order(RUN, boot, id_ + 1, deadline=deadline), "06" + "66" + b"quay-s".hex())]


AN_ASK = cbor2.dumps({2: ASK, 16: 7})

BUGS = {
    "BUG_LENGTH_OF_16_BITS": Bug(
        "a length of 65539 is 3 in 16 bits", place("7a00010003616263"), DIES, "AddressSanitizer|runtime error"
    ),
    "BUG_DEEP_RECURSION": Bug(
        "it follows nesting as deep as it goes",
        bytes_of(behind(AN_ASK, "18ff" + "81" * 5000 + "80")),
        DIES,
        "stack-overflow",
        fuzzer="ENC-10",
    ),
    "BUG_STACK_TEXT": Bug(
        "a text is copied to the stack before it is measured",
        place("7828" + b"q".hex() * 40),
        DIES,
        "stack-buffer-overflow",
    ),
    "BUG_TABLE_OF_FIELDS": Bug(
        "a field of a newer sender is counted behind the table",
        bytes_of(behind(AN_ASK, "18c801")),
        DIES,
        "out of bounds|global-buffer-overflow",
        fuzzer="ORD-03",
    ),
    "BUG_TRAILING_BYTES": Bug(
        "bytes behind the map are overlooked", bytes_of(AN_ASK + b"\0"), WRONG, fuzzer="ENC-10"
    ),
    "BUG_STRCPY_OF_A_NAME": Bug(
        "strcpy of a name that has no NUL behind it",
        place("66" + b"quay-s".hex()),
        DIES,
        "heap-buffer-overflow",
        fuzzer="ORD-01",
    ),
    "BUG_WRAP_COMPARED_WITH_LESS": Bug(
        "a deadline beyond the wrap of uptime is compared with <",
        beyond_the_wrap,
        WRONG,
        uptime=BEFORE_THE_WRAP,
        needs="wrap",
    ),
    "BUG_COUNTS_TWICE": Bug("seq is counted in a callback too", bytes_of(AN_ASK), WRONG, fuzzer="MSG-07"),
    "BUG_WAITS_IN_THE_CALLBACK": Bug(
        "it waits in a callback for an acknowledgement that only the loop reads", bytes_of(b"\xff"), SILENT
    ),
    "BUG_PAYLOAD_AFTER_FREE": Bug(
        "it logs a bad message after it was freed",
        bytes_of(b"\xff"),
        DIES,
        "heap-use-after-free",
        fuzzer="ORD-03",
    ),
    "BUG_EMPTY_PAYLOAD": Bug(
        "the first byte of nothing", bytes_of(b""), DIES, "null pointer|SEGV", fuzzer="ORD-03"
    ),
}
