"""A broker that resets a connection just as its board goes: the gateway serves the other boards on."""

from __future__ import annotations

import socket
import struct
import time
from typing import NoReturn

from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt_link import MqttLink
from protocol.wire.serial.board import Board


class Someone:
    client_id, keep_alive_s = "siding", 5

    def will(self) -> None:
        return None


def no_port() -> NoReturn:
    raise Trouble("there is no port")


def no_way(name: str) -> NoReturn:
    raise Trouble(f"{name} is not let in")


def test_the_connection_of_a_board_that_goes_may_be_reset_already() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        ours = socket.create_connection(("127.0.0.1", port))
        theirs, _ = server.accept()
        board = Board("port", no_port, no_way, lambda _site, _name: None, int, int, rate=None)
        board._link = MqttLink(Someone(), Endpoint("127.0.0.1", port), ours)
        # Closed with nothing kept, a connection is reset (RFC 9293, section 3.6.1).
        theirs.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        theirs.close()
        time.sleep(0.05)
        board.end()
        assert ours.fileno() == -1
