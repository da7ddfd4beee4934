"""Runs in MicroPython: reads orders and writes messages, one a line of input.

`read HEX READS` answers the order as JSON, or `-`; `say MESSAGE json|cbor BODY` answers the payload; `fcs HEX` the FCS;
`frame KIND HEX` a frame; `take HEX` the frames in it.
"""

import json
import sys

from yardwire_node.frames import FrameReader, fcs_of, frame_of
from yardwire_node.order import read_order
from yardwire_node.speaker import encode


def answer(words: list) -> str:
    if words[0] == "read":
        order = read_order(bytes.fromhex(words[1].strip(".")), words[2])
        return "-" if order is None else json.dumps(order)
    if words[0] == "say":
        return encode(words[1], json.loads(words[3]), words[2] == "json").hex()
    if words[0] == "fcs":
        return str(fcs_of(bytes.fromhex(words[1])))
    if words[0] == "frame":
        return frame_of(int(words[1]), bytes.fromhex(words[2].strip("."))).hex()
    reader = FrameReader()
    found = [reader.take(byte) for byte in bytes.fromhex(words[1])]
    return " ".join(f"{frame[0]}:{frame[1].hex()}" for frame in found if frame is not None)


for line in sys.stdin:
    print(answer(line.split(None, 3)))
