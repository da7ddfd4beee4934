"""Whether what is written towards a node has gone: the evidence of the tap is as true as this answer."""

from __future__ import annotations

import asyncio
import select
import socket
from types import SimpleNamespace

import pytest

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


def test_our_end_is_seen_while_the_node_may_go_on_speaking() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            assert side.write(b"last")
            side.write_eof()
            node.settimeout(5)
            got = await asyncio.to_thread(node.recv, 10)
            assert (got, await asyncio.to_thread(node.recv, 10)) == (b"last", b"")
            node.sendall(b"still here")
            assert await side.read(5) == b"still"
            assert await side.read(100) == b" here"
            node.close()
            assert await side.read(100) == b""
            await side.close(1)

    asyncio.run(write())


def test_both_ends_are_named() -> None:
    async def look() -> None:
        ours, node = pair()
        here, there = ours.getsockname(), ours.getpeername()
        with node:
            side = NodeSocket(ours)
            assert (side.here, side.there) == (here, there)
            assert side.peer == f"127.0.0.1, port {node.getsockname()[1]}"
            assert ours.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            assert not ours.getblocking()
            await side.close(1)
        gone = NodeSocket(socket.socket())
        assert (gone.here, gone.there, gone.peer) == (("", 0), ("", 0), "")
        await gone.close(1)

    asyncio.run(look())


def filled(side: NodeSocket) -> int:
    """Write until nothing goes any more; how many bytes then wait."""
    while not side._waiting:
        side.write(bytes(LONGEST_BACKLOG))
    return len(side._waiting)


async def turns() -> None:
    for _ in range(5):
        await asyncio.sleep(0)


@pytest.mark.parametrize("over", [0, 1])
def test_a_writer_waits_where_more_than_a_backlog_is_waiting(over: int) -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            waiting = filled(side)
            side.write(bytes(LONGEST_BACKLOG - waiting + over))
            draining = asyncio.ensure_future(side.drain())
            await turns()
            assert draining.done() is not bool(over)
            side.reset()
            await asyncio.wait_for(draining, 5)

    asyncio.run(write())


def test_what_waits_goes_in_its_order_and_then_there_is_room() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            filled(side)
            side.write(b"x" * LONGEST_BACKLOG)
            await turns()
            assert side._sending
            assert side.write(b"last"), "behind what is being sent"
            node.settimeout(5)
            got = bytearray()
            while not got.endswith(b"last"):
                got += await asyncio.to_thread(node.recv, 1 << 20)
            assert got.endswith(b"x" * LONGEST_BACKLOG + b"last")
            await asyncio.wait_for(side.drain(), 5)
            await turns()
            assert (side._sending, bytes(side._waiting)) == (False, b"")
            assert side.write(b"more")
            assert await asyncio.to_thread(node.recv, 10) == b"more"
            await side.close(1)

    asyncio.run(write())


def test_a_node_that_takes_nothing_is_given_its_time_and_no_more() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            filled(side)
            await side.close(0.05)
            assert ours.fileno() == -1
            assert not side.write(b"too late")
            side.reset()
            await side.close(0.05)

    asyncio.run(write())


def test_a_node_that_resets_while_something_waits_has_taken_nothing_more() -> None:
    async def write() -> None:
        ours, node = pair()
        side = NodeSocket(ours)
        filled(side)
        side.write(bytes(LONGEST_BACKLOG))
        await turns()
        assert side.write(b"behind it")
        assert side._waiting
        reset_at_close(node)
        node.close()
        await asyncio.wait_for(side._pump, 5)
        await asyncio.wait_for(side.drain(), 5)
        assert not side.write(b"too late")
        assert bytes(side._waiting) == b""
        await side.close(1)

    asyncio.run(write())


def test_a_reset_of_ours_is_seen_as_one() -> None:
    async def write() -> None:
        ours, node = pair()
        with node:
            side = NodeSocket(ours)
            side.reset()
            assert ours.fileno() == -1
            side.reset()
            node.settimeout(5)
            with pytest.raises(ConnectionResetError):
                await asyncio.to_thread(node.recv, 1)
            assert side._pump.cancelled() or side._pump.cancelling()

    asyncio.run(write())


def test_an_error_that_is_none_of_the_connection_is_told() -> None:
    async def write() -> None:
        ours, node = pair()
        told: list[BaseException] = []
        with node:
            side = NodeSocket(ours, told.append)

            async def fails(*_: object) -> None:
                raise ZeroDivisionError

            side._loop = SimpleNamespace(sock_sendall=fails, remove_reader=int, remove_writer=int)  # type: ignore[assignment]
            filled(side)
            await asyncio.gather(side._pump, return_exceptions=True)
            await turns()
            assert [type(one) for one in told] == [ZeroDivisionError]
            await asyncio.wait_for(side.drain(), 5)
            side._loop = asyncio.get_running_loop()
            side.reset()

    asyncio.run(write())
