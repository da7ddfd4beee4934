"""Inputs of the fuzz target that are the same every time: random acts, and what each decoder bug needs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from random import Random

import cbor2

from protocol.validation import read_message
from tests.json_texts import mutated

SEED, COUNT = 3, 60
HOSTILE = (
    b'{"act":"hold"}',
    b'{"act":"claim","boot":4711,"id":1}',
    b'{"x":' + b"[" * 60 + b"]" * 60 + b',"act":"hold"}',
    b'{"x":' + b'{"a":' * 30 + b"1" + b"}" * 30 + b',"act":"hold"}',
    b'{"act":"home","boot":4711,"id":1,"deadline":4294967295,"box":"' + b"A" * 150 + b'"}',
    b'{"act":"transfer","boot":4711,"id":1,"deadline":4294967295,"to":"'
    + b"A" * 120
    + b'","to_slot":1,"box":"A"}',
    b'{"act":"jog","boot":4711,"id":1,"deadline":4294967295,"target":[' + b"65536," * 28 + b"1]}",
    b'{"act":"stimulus","boot":4711,"id":1,"inputs":[' + b'["load",true,1],' * 10 + b'["load",true,1]]}',
    b'{"act":"jog","boot":4711,"id":1,"deadline":4294967295' + b',"target":[65536,65536,65536]' * 6 + b"}",
    b'{"act":"claim","boot":4711,"id":18446744073709551617,"token":18446744073709551617}',
    b'{"act":"hold","x":"' + b"\\ud83d\\ude00" * 8 + b'\\ud83d"}',
    b'{"act":"hold","x":"\\',
    b'{"act":"hold","x":"\\u12',
)
"""Orders in JSON that a reader may break at."""
TICK, PAYLOAD, ORDER = 90, 150, 220
HOLD, TRANSFER, HOME, PARK = 2, 6, 7, 8
END = bytes(4)


def inputs_in_json() -> Iterator[bytes]:
    """The same for a core in JSON: what can be read is written in JSON; and what its reader may break at."""
    for one in inputs():
        yield b"".join(_in_json(act) for act in _acts(one))
    for text in HOSTILE:
        yield ticks(1) + payload(text) + ticks(1) + END
    rng = Random(SEED)
    for _ in range(COUNT):
        yield b"".join(payload(mutated(rng.choice(HOSTILE), rng)[:255]) for _ in range(8)) + END


def _acts(whole: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(whole):
        what = whole[at]
        length = (
            1 if what < 100 or what >= 250 else 4 if what >= 200 else 2 + (whole[at + 1 : at + 2] or b"\0")[0]
        )
        yield whole[at : at + length]
        at += length


def _in_json(act: bytes) -> bytes:
    reading = read_message("job-order", act[2:], closed=False) if 100 <= act[0] < 200 else None
    if reading is None or not reading.readable or reading.body is None:
        return act
    text = json.dumps(reading.body, separators=(",", ":")).encode()
    return payload(text) if len(text) < 256 else act


def inputs() -> Iterator[bytes]:
    """Each input of the fixed set."""
    yield ticks(3) + payload(bytes.fromhex("a20200181e7901016161")) + END  # a text of 257 bytes, one there
    yield ticks(3) + payload(bytes.fromhex("a2020018c8" + "81" * 40 + "00")) + END
    yield ticks(1) + b"".join(payload(stimulus(number)) for number in range(1, 5)) + ticks(3) + END
    yield (
        ticks(1)
        + payload(transfer(1))
        + payload(bytes.fromhex("a1020a")) * 3
        + payload(transfer(1))
        + ticks(4)
        + END
    )
    yield ordered(HOME) + ticks(1) + ordered(HOLD) + ticks(6) + END
    yield homed() + payload(one_input(3, 6, closed=False)) + ticks(2) + END
    yield (
        homed()
        + ordered(PARK)
        + ticks(1)
        + payload(bytes.fromhex("a40019126701040204") + b"\x0f\x03")
        + ticks(3)
        + END
    )
    yield homed() + payload(box_to_carry(3)) + payload(bytes.fromhex("a1020a")) * 3 + ticks(4) + END
    rng = Random(SEED)
    for _ in range(COUNT):
        yield b"".join(_act(rng) for _ in range(60)) + END


def ticks(times: int) -> bytes:
    """Time passes."""
    return bytes((TICK,)) * times


def payload(content: bytes) -> bytes:
    """These bytes come as an order."""
    return bytes((PAYLOAD, len(content))) + content


def ordered(act: int) -> bytes:
    """An order with the next id."""
    return bytes((ORDER, act, 0, 0))


def one_input(id_: int, sensor: int, *, closed: bool) -> bytes:
    """A stimulus of one sensor, at once."""
    entry = bytes((0x83, sensor, 0xF5 if closed else 0xF4, 0))
    return bytes.fromhex("a400191267") + bytes((1, id_, 2, 13, 20, 0x81)) + entry


def homed() -> bytes:
    """A crane that has homed, with the switches closed on its way; the next id is 3."""
    switches = bytes.fromhex("8302f51903848303f5008304f500")
    return ordered(HOME) + payload(bytes.fromhex("a4001912670102020d1483") + switches) + ticks(30)


def stimulus(id_: int) -> bytes:
    """Ten inputs a second apart, for boot 4711."""
    one = bytes.fromhex("8305f51903e8")
    return bytes.fromhex("a400191267") + bytes((1, id_, 2, 13, 20)) + bytes((0x8A,)) + one * 10


def transfer(id_: int) -> bytes:
    """A cancel-proof order that is refused and one that is not: a home with a box that no home takes."""
    return bytes.fromhex("a400191267") + bytes((1, id_, 2, HOME)) + bytes.fromhex("031affffffff")


def box_to_carry(id_: int) -> bytes:
    """A transfer within a stack of the north crane, for boot 4711."""
    order = {0: 4711, 1: id_, 2: TRANSFER, 3: 2**32 - 1, 4: "stack-n", 5: 0, 6: "stack-n", 7: 1, 8: "C-1"}
    return cbor2.dumps(order)


def _act(rng: Random) -> bytes:
    drawn = rng.random()
    if drawn < 0.45:
        return bytes((rng.randrange(100),))
    if drawn < 0.6:
        return payload(rng.randbytes(rng.randrange(40)))
    if drawn < 0.97:
        act = rng.choice((HOME, HOME, TRANSFER, 8, 9, 13, 2, 3, 4, 5, rng.randrange(15)))
        return bytes((ORDER, act, rng.randrange(20), rng.randrange(24)))
    return bytes((255,))
