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
MORE_NONSENSE = (
    '{"act":"ask","token":1,"x":{"a":1,"a":2}}', '{"act":"ask","token":1,"x":1,"x":2}',
    '{"act":"ask","token":1,"x":[{"a":1,"b":[{}],"a":2}]}', '{"act":"ask","token":1,"y":1,"\\u0079":2}',
    '{"act":"ask","\\u0061ct":"ask","token":1}', '{"act":0,"token":1}', '{"act":"reset","token":1}', '{}',
    '{"act":"stimulus","boot":7,"id":1,"inputs":[[0,true,1]]}', '{"act":"stimulus","boot":7,"id":1,"inputs":[]}',
    '{"act":"stimulus","boot":7,"id":1,"inputs":[["end",true,"end"]]}',
    '{"act":"stimulus","boot":7,"id":1,"inputs":[["end",1,1]]}',
    '{"act":"stimulus","boot":7,"id":1,"inputs":[["end",true,1,1]]}',
    '{"act":"stimulus","boot":7,"id":1,"inputs":[' + ",".join(['["end",true,1]'] * 11) + ']}',
    '{"act":"jog","boot":7,"id":1,"deadline":9,"target":[1,2,3,4]}',
    '{"act":"jog","boot":7,"id":1,"deadline":9,"target":[32768]}',
    '{"act":"jog","boot":7,"id":1,"deadline":9,"target":[-32769]}',
    '{"act":"home","boot":65536,"id":1,"deadline":9}', '{"act":"home","boot":7,"id":0,"deadline":9}',
    '{"act":"home","boot":7,"id":1,"deadline":99999999999999999999}',
    '{"act":"run","boot":7,"id":1,"deadline":9,"to":"quay north"}',
    '{"act":"run","boot":7,"id":1,"deadline":9,"to":"quay\\u00e9"}',
    '{"act":"run","boot":7,"id":1,"deadline":9,"to":"ninechars"}',
    '{"act":"run","boot":7,"id":1,"deadline":9,"to":""}',
    '{"act":"ask","token":1,"x":[[[[]]]]}', '{"act":"ask","token":1,"x":{"a":{"b":{"c":{}}}}}',
    '{"act":"ask","token":1,"x":"\\ud83d"}', '{"act":"ask","token":1,"x":"\\ud83dx"}',
    '{"act":"ask","token":1,"x":"\\u12g4"}',
    '{"act":"ask","token":1,"x":"\\udc00\\ud83d"}', '{"act":"ask","token":1,"x":-}', '{"act":"ask","token":1,"x":00}',
    '{"act":"ask","token":1,"x":truex}', '{"act":"ask","token":1,"x":null}',
    '{"act":"ask","token":1,"x":"\\', '{"act":"',
    '{"act":"ask","token":1,"x":1e400}', '{"act":"ask","token":1}{}', '{"act":"ask","token":1},',
)  # fmt: skip
MORE_SENSE = (
    '{"act":"ask","token":1,"x":{"a":1,"b":{"a":1}},"y":{"a":1}}', '{"act":"ask","token":4294967295}',
    '{"act":"ask","token":1,"x":123456789012345678901234567890}',
    '{"act":"ask","token":1,"x":-123456789012345678901234}',
    '{"act":"ask","token":1} \n', '{"act":"ask","token":1,"from":{"a":[1]},"target":"x"}', '{"act":"ask","token":-0}',
    '{"act":"run","boot":7,"id":1,"deadline":9,"to":"qu\\u0061y"}', '{"act":"\\u0061sk","token":1}',
    '{"act":"jog","boot":7,"id":1,"deadline":9,"target":[-32768,32767,0]}', '{"act":"ask","token":1,"\\"\\n\\\\":1}',
    '{"act":"stimulus","boot":7,"id":1,"inputs":[ ["end" , true , 65535 ] ]}', '{"act":"ask","token":1,"x":"}],{[\\""}',
    '{"act":"ask","token":1,"x":[{"a":1},{"a":1}]}', '{"act":"ask","token":1,"a,b":1,"x":",\\"x\\":"}',
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
