"""Whether what is written towards a node has gone: the evidence of the tap is as true as this answer."""

from __future__ import annotations

import asyncio
import select
import socket

from conformance.bench.tap.node_socket import LONGEST_BACKLOG, NodeSocket, reset_at_close


def pair() -> tuple[socket.socket, socket.socket]:
    """Two ends of one TCP connection over loopback."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        node = socket.create_connection(server.getsockname())
        return server.accept()[0], node


def test_bytes_have_gone_when_writing_returns() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            assert side.write(b"said")
            # No turn of the loop in between: nothing else could have sent it.
            assert node.recv(4) == b"said"
            await side.close(1)

    asyncio.run(write())


def test_more_than_fits_waits_and_keeps_its_order() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            pieces = [bytes([number]) * LONGEST_BACKLOG for number in range(200)]
            assert all(side.write(piece) for piece in pieces)
            got = bytearray()
            while len(got) < 200 * LONGEST_BACKLOG:
                await asyncio.sleep(0)
                got += await asyncio.to_thread(node.recv, LONGEST_BACKLOG)
            assert got == b"".join(pieces)
            await side.close(1)

    asyncio.run(write())


def test_nothing_is_taken_for_sent_behind_a_reset_of_ours() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            side.reset()
            assert not side.write(b"too late")

    asyncio.run(write())


def test_nothing_is_taken_for_sent_behind_a_reset_of_the_node() -> None:
    async def write() -> None:
        ours, node = pair()
        side = NodeSocket(ours)
        reset_at_close(node)
        node.close()
        select.select([ours], [], [])  # the reset has come
        assert not side.write(b"too late")
        await side.close(1)

    asyncio.run(write())


def test_nothing_is_taken_for_sent_behind_our_own_end() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            side.write_eof()
            assert not side.write(b"too late")
            await side.close(1)
            assert node.recv(1) == b""

    asyncio.run(write())
