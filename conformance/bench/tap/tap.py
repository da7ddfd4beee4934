"""The tap: a TCP relay between one node and a broker that reads every MQTT packet both ways.

Much of what a controller gets wrong cannot be seen by another subscriber: clean session, keep-alive, the
will's own flags, retain on a live message, whether an order was acknowledged before it was acted on. The node
is pointed at the tap; the broker behind it is any broker. The node's side is plain TCP, the broker's may be
TLS.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import time
from collections.abc import Callable, Coroutine
from typing import Any, Self

from conformance.bench.loop_thread import LoopThread
from conformance.bench.network import listening_trouble, require_loopback
from conformance.bench.tap.attribution import Attribution, NodeSignature
from conformance.bench.tap.node_socket import NodeSocket
from conformance.bench.tap.relay import LINGER, Relay, Setting
from conformance.bench.tap.rules import Rule, RuleSet
from conformance.bench.tap.traffic_log import Listener, Predicate, TrafficLog
from conformance.suite.line import Line
from protocol.trouble import Trouble
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkConnection, LinkPacket
from protocol.wire.fail_stop import check, task

__all__ = ["ClosedBy", "Direction", "Fate", "Rule", "Tap", "monotonic_us"]

CONNECT_TIMEOUT = 10.0


def monotonic_us() -> int:
    """Monotonic time in whole microseconds."""
    return time.monotonic_ns() // 1000


class Tap:
    """A relay from `host`:`port` to a broker, and the evidence of what passed.

    Bytes pass unchanged and in order unless a case holds, drops, delays, cuts or injects. Every method may be
    called from any thread. Predicates given to `hold` and `drop`, and listeners, run on the tap's own thread
    and must be quick; an error in one cuts the connection and is raised by `wait_for` and on leaving.
    """

    def __init__(
        self,
        broker_host: str,
        broker_port: int,
        *,
        bind: str = "127.0.0.1",
        port: int = 0,
        tls: ssl.SSLContext | None = None,
        open_to_network: bool = False,
        now_us: Callable[[], int] = monotonic_us,
        node: NodeSignature | None = None,
    ) -> None:
        """Prepare a tap; entering it opens the port (0: a free one). `tls` is for the broker's side.

        With `node` only what is the node's is evidence, held, dropped, cut or injected; others pass by. Without it
        everybody is the node.

        A real board needs an address it can reach: `bind` beyond loopback also needs `open_to_network=True`.
        Raises Trouble.
        """
        require_loopback(bind, open_to_network=open_to_network)
        self.host, self.port = bind, port
        self._broker = (broker_host, broker_port)
        self._tls = tls
        self._thread = LoopThread("tap")
        self._server: socket.socket | None = None
        self._accepting: asyncio.Task[None] | None = None
        self._attribution = None if node is None else Attribution(node)
        self._log = TrafficLog(self._attribution)
        self._rules = RuleSet()
        self._setting = Setting(self._log, self._rules, now_us, is_judged=self._is_node)
        self._relays: dict[int, Relay] = {}
        self.line: Line | None = None
        """The serial line behind which the node is, with a tap of its own; None for a node in the network."""
        self._serving: set[asyncio.Task[None]] = set()
        self._refusing = False

    def __enter__(self) -> Self:
        self._thread.start()
        try:
            self._thread.call(self._open())
        except BaseException as error:
            self._thread.stop()
            if isinstance(error, OSError):
                raise listening_trouble(self.host, self.port, error) from error
            raise
        return self

    def __exit__(self, _kind: object, error: object, _trace: object) -> None:
        try:
            self._thread.call(self._close())
        finally:
            self._thread.stop()
        if error is None:
            self._log.raise_error()

    @property
    def evidence(self) -> list[LinkPacket]:
        """All packets so far, oldest first; a copy."""
        return self._log.packets()

    @property
    def connections(self) -> list[LinkConnection]:
        """All connections so far, oldest first, those of others too; a copy."""
        return self._log.connections()

    @property
    def conflict(self) -> str:
        """Why nothing that is seen can be said of the node any more; '' while it can."""
        return self._attribution.conflict if self._attribution else ""

    def others(self) -> list[str]:
        """What clients that are not the node did here, in sentences."""
        return self._thread.run(self._attribution.notes) if self._attribution else []

    def strangers(self) -> dict[str, int]:
        """Client identifiers of others, each with how often it connected."""
        attribution = self._attribution
        return self._thread.run(lambda: attribution.strangers) if attribution else {}

    def claims(self) -> dict[str, str]:
        """Topics by which clients that are not the node's show whose board they are, by client identifier."""
        attribution = self._attribution
        return self._thread.run(lambda: attribution.claims) if attribution else {}

    def expect(self, client_id: str) -> None:
        """A client of the kit's own will come: it is no stranger, and not told of."""
        if self._attribution is not None:
            self._attribution.of_the_kit.add(client_id)

    def run_beside(self, work: Callable[[], Coroutine[Any, Any, None]]) -> Callable[[], None]:
        """Run a coroutine on the tap's thread until the call that is given, or the tap's end."""
        running = self._thread.run(lambda: task(work(), self._log.fail))
        self._serving.add(running)

        def end() -> None:
            with contextlib.suppress(RuntimeError):  # the tap has ended before
                self._thread.run(running.cancel)

        return end

    @property
    def is_impeded(self) -> bool:
        """Whether the tap itself delays what passes, as a case asked for."""
        return any(self._setting.delay.values()) or any(self._setting.gap.values())

    def newest_connection(self) -> LinkConnection | None:
        """The node's newest connection, open or closed; None before its first."""

        def find() -> LinkConnection | None:
            return next((one for one in reversed(self._log.connections()) if self._is_node(one.number)), None)

        return self._thread.run(find)

    def ends_of_newest(self) -> tuple[int, tuple[str, int], tuple[str, int]] | None:
        """Number, end here and end there of the node's newest open connection; on the tap's thread."""
        relays = self._of_node()
        newest = max(relays, default=0)
        return (newest, relays[newest].node.here, relays[newest].node.there) if newest else None

    @property
    def signature(self) -> NodeSignature | None:
        """What the node under test is known by; None where everybody is the node."""
        return self._attribution.signature if self._attribution else None

    def settle_for_best(self) -> bool:
        """Take the likeliest client for the node, where none is certain by now; whether one is known."""
        return self._thread.run(self._log.settle_for_best)

    def _is_node(self, number: int) -> bool:
        return self._attribution is None or self._attribution.is_node(number)

    def _of_node(self) -> dict[int, Relay]:
        return {number: relay for number, relay in self._relays.items() if self._is_node(number)}

    def wait_for(self, predicate: Predicate, timeout: float, after: int = 0) -> LinkPacket | None:
        """Wait up to `timeout` seconds for a packet, also one already seen; None when there was none.

        `after` leaves out packets numbered up to it.
        """
        return self._log.wait_for(predicate, timeout, after)

    def wait_for_connection(
        self, predicate: Callable[[LinkConnection], bool], timeout: float
    ) -> LinkConnection | None:
        """Wait up to `timeout` seconds until a connection is as wanted; None when none became so."""
        return self._log.wait_for_connection(predicate, timeout)

    def on_packet(self, listener: Listener) -> None:
        """Have `listener` called with every packet: at once with those so far, with others on the tap's thread."""
        self._log.listen(listener)

    def forget(self, keep: int) -> None:
        """Drop all evidence but the newest `keep` packets, for runs of hours. Numbers stay as they are."""
        self._log.forget(keep)

    def hold(self, predicate: Predicate) -> Rule:
        """Hold matching packets back until `release` or `discard`; others pass them by."""
        return self._thread.run(lambda: self._rules.add(Rule(predicate, Fate.HELD)))

    def drop(self, predicate: Predicate, limit: int | None = None) -> Rule:
        """Lose matching packets, at most `limit` of them, until `discard`."""
        return self._thread.run(lambda: self._rules.add(Rule(predicate, Fate.DROPPED, limit)))

    def held(self, rule: Rule) -> list[LinkPacket]:
        """What a rule holds back at the moment."""
        return self._thread.run(lambda: self._rules.held(rule))

    def release(self, rule: Rule) -> None:
        """End a rule and send on what it held, in order, where the connection still stands."""
        self._thread.run(lambda: self._rules.end(rule, send=True))

    def discard(self, rule: Rule) -> None:
        """End a rule and lose what it held."""
        self._thread.run(lambda: self._rules.end(rule, send=False))

    def delay(self, direction: Direction, milliseconds: int) -> None:
        """Put latency on the broker's side of the tap, order kept; 0 takes it off."""
        self._thread.run(lambda: self._setting.delay.update({direction: milliseconds / 1000}))

    def throttle(self, direction: Direction, gap_ms: float) -> None:
        """Send what goes that way byte by byte, `gap_ms` apart; 0 sends it as it comes again."""
        self._thread.run(lambda: self._setting.gap.update({direction: gap_ms / 1000}))

    def cut(self) -> None:
        """Reset every open connection of the node on both sides, with no DISCONNECT. It may come again."""

        async def cut_all() -> None:
            for relay in self._of_node().values():
                relay.cut()

        self._thread.call(cut_all())

    def refuse(self, refusing: bool = True) -> None:
        """Reset new connections at once, until called with False: the broker cannot be reached."""
        self._thread.run(lambda: setattr(self, "_refusing", refusing))

    def inject(self, direction: Direction, raw: bytes) -> None:
        """Send bytes of the tap's own on the newest open connection. Raises Trouble when there is none."""
        check()

        def send() -> None:
            relays = self._of_node()
            if not relays:
                raise Trouble("the node is not connected to the tap", where=f"{self.host}:{self.port}")
            relays[max(relays)].inject(direction, raw)

        self._thread.run(send)

    async def _open(self) -> None:
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        self._server = socket.create_server((self.host, self.port), family=family)
        self._server.setblocking(False)
        self.port = self._server.getsockname()[1]
        self._accepting = task(self._accept(self._server), self._log.fail)

    async def _close(self) -> None:
        if self._accepting is not None:
            self._accepting.cancel()
            await asyncio.gather(self._accepting, return_exceptions=True)
        if self._server is not None:
            self._server.close()
        for relay in self._relays.values():
            relay.cut()
        for serving in self._serving:
            serving.cancel()
        await asyncio.gather(*self._serving, return_exceptions=True)

    async def _accept(self, server: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            # A connection that is gone before it is accepted is no error of the tap's.
            with contextlib.suppress(ConnectionError):
                sock, _ = await loop.sock_accept(server)
                serving = task(self._serve(NodeSocket(sock, self._log.fail)), self._log.fail)
                self._serving.add(serving)
                serving.add_done_callback(self._serving.discard)

    async def _serve(self, node: NodeSocket) -> None:
        number = self._log.opened(self._setting.now_us(), node.peer)
        closed_by = ClosedBy.TAP
        try:
            if self._refusing:
                return
            closed_by = ClosedBy.BROKER
            with contextlib.suppress(OSError, TimeoutError):
                await self._let_go()
                opening = asyncio.open_connection(*self._broker, ssl=self._tls)
                broker = await asyncio.wait_for(opening, CONNECT_TIMEOUT)
                relay = self._relays[number] = Relay(self._setting, number, node, broker)
                await relay.run()
        finally:
            self._relays.pop(number, None)
            self._log.closed(number, self._setting.now_us(), closed_by)
            node.reset()

    async def _let_go(self) -> None:
        """Wait until the broker is done with connections the node has left.

        A node that comes again at once must not overtake its own DISCONNECT, or the broker sends the will.
        """
        left = [relay for relay in self._relays.values() if relay.left]
        going = [task(relay.finished.wait(), self._log.fail) for relay in left]
        if going:
            await asyncio.wait(going, timeout=LINGER)
            for waiting in going:
                waiting.cancel()
