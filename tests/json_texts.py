"""Orders in JSON that a node has to read and to refuse, and a way to damage any; for the tests of every firmware."""

from __future__ import annotations

from random import Random

NONSENSE = (
    '{"act":"ask","token":1,}', '{"act":"ask","token":1 2}', '{"act":"ask" "token":1}', '{,"act":"ask","token":1}',
    '{"act":"ask","token":1}}', '{"act":"ask","token":1.0}', '{"act":"ask","token":1e0}', '{"act":"ask","token":true}',
    '{"act":"ask","token":"1"}', '{"act":"ask","token":01}', '{"act":"ask","token":-1}', '{"act":"ask","token":0x1}',
    '{"act":"ask","token":NaN}', '{"act":"ask","token":null}', "{'act':'ask','token':1}", '{act:"ask",token:1}',
    '{"act":"ask","token":1}\x00', '{"act":"ask","token":[1,]}', '{"act":"ask","token":1,"act":"ask"}',
    '{"act":"ask","token":1,"x":[1,]}', '{"act":"ask","token":1,"x":[,]}', '{"act":"ask","token":1,"x":{"y":1,}}',
    '{"act":"ask","token":1,"x":[[[[1]]]]}', '{"act":"ask","token":1,"x":"\\q"}',
    '{"act":"ask","token":1,"x":"\\ud800"}',
    '{"act":"ask","token":1,"x":"\t"}', '{"act":"ask","token":1,"x":tru}', '{"act":"ask","token":1,"x":+1}',
    '{"act":"ask","token":1,"x":}', '{"act":"ask","token":1,"x"}', '{"act":"ask","token":1', '{', '', '[]',
    ' {"act":"ask","token":1}',
    '{"act":"ask","token":4294967296}', '{"act":"ask","token":1/*no*/}', '\ufeff{"act":"ask","token":1}',
)  # fmt: skip
SENSE = (
    '{"act":"ask","token":1}', '{ "act" : "ask" ,\r\n\t"token" : 1 }', '{"token":1,"act":"ask"}',
    '{"act":"ask","token":1,"x":[[[1]]]}', '{"act":"ask","token":1,"x":{}}', '{"act":"ask","token":1,"x":[]}',
    '{"act":"ask","token":1,"x":"\\u00e9\\ud83d\\ude00 \\" \\/"}',
    '{"\\u0061ct":"ask","token":1}', '{"act":"ask","token":1,"x":-0}',
    '{"act":"ask","token":1,"x":[true,false,"é"]}',
)  # fmt: skip


def mutated(payload: bytes, rng: Random) -> bytes:
    """A bit, a byte or a tail less or more."""
    at = rng.randrange(len(payload))
    return rng.choice(
        (
            payload[:at] + bytes([payload[at] ^ 1 << rng.randrange(8)]) + payload[at + 1 :],
            payload[:at] + payload[at + 1 :],
            payload[:at] + rng.randbytes(rng.randrange(1, 4)) + payload[at:],
            payload[:at],
            payload + rng.randbytes(1),
        )
    )
