"""What the recorder is measured against: clients that write the same bytes with no format, to the end mark.

python -m benchmarks.listeners bare|paho PORT FILE
"""

from __future__ import annotations

import socket
import sys
from pathlib import Path
from threading import Event
from typing import Any

from conformance.bench.brokers.probe import connect_packet
from conformance.bench.mqtt.framing import packet, string

FILTER = "yw1/harlow-basin/#"
END_TOPIC = "yw1/harlow-basin/end/end"


def bare(port: int, path: str) -> None:
    """A bare socket: cuts packets, writes topic and payload as they are."""
    end_mark = END_TOPIC.encode()
    with socket.create_connection(("127.0.0.1", port)) as sock, Path(path).open("wb") as file:
        sock.sendall(connect_packet("bare", level=4, user=None, password=None))
        sock.sendall(packet(0x82, b"\x00\x01" + string(FILTER) + b"\x00"))
        rest = b""
        while True:
            data = rest + sock.recv(1 << 18)
            begin, size = 0, len(data)
            while size - begin >= 2:
                length, start = data[begin + 1], begin + 2
                if length > 127:
                    if size - begin < 3:
                        break
                    length, start = (length & 127) | data[begin + 2] << 7, begin + 3
                end = start + length
                if end > size:
                    break
                if data[begin] & 0xF0 == 0x30:
                    middle = start + 2 + (data[start] << 8 | data[start + 1])
                    topic = data[start + 2 : middle]
                    if topic == end_mark:
                        return
                    file.write(topic)
                    file.write(data[middle:end])
                begin = end
            rest = data[begin:]


def paho(port: int, path: str) -> None:
    """The usual client library: writes topic and payload in its callback."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2, "paho")
    done = Event()
    with Path(path).open("wb") as file:

        def hear(_client: Any, _data: Any, message: Any) -> None:
            if message.topic == END_TOPIC:
                done.set()
                return
            file.write(message.topic.encode())
            file.write(message.payload)

        def connected(*_: Any) -> None:
            client.subscribe(FILTER, 0)

        client.on_message = hear
        client.on_connect = connected
        client.connect("127.0.0.1", port)
        client.loop_start()
        done.wait()
        client.loop_stop()


if __name__ == "__main__":
    {"bare": bare, "paho": paho}[sys.argv[1]](int(sys.argv[2]), sys.argv[3])
