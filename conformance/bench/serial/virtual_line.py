"""A serial line in virtual time: the node at one end, a gateway to the virtual bus at the other, a tap in between."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from conformance.suite.line import Line
from protocol.participant import Delivery, Participant, Publication
from protocol.site import NodeSite, Site
from protocol.wire.serial.gateway_line import Close, GatewayLine, Opening
from protocol.wire.serial.node_line import NodeLine
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import Timer, VirtualTime

RATE = 115_200


@dataclass(slots=True)
class _Connection:
    """One connection of the gateway's for the node, as a participant of the virtual bus."""

    end: GatewayLine
    opening: Opening
    node: NodeSite
    filters: Sequence[tuple[str, int]]
    lost: Callable[[_Connection], object]
    pump: Callable[[], object]

    @property
    def client_id(self) -> str:
        return self.opening.name

    @property
    def keep_alive_s(self) -> int:
        return self.node.keep_alive_s

    def will(self) -> Publication | None:
        return self.opening.will(self.node.qos)

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return self.filters

    def connected(self, now_ms: int) -> Sequence[Publication]:
        self.end.opened(now_ms)
        self.pump()
        return ()

    def disconnected(self, now_ms: int) -> None:
        self.lost(self)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self.end.deliver(delivery)
        self.pump()
        return ()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        return ()

    def next_tick(self, now_ms: int) -> int | None:
        return None


class VirtualLine(Line):
    """Both ends of one line and all that is between them and the bus. `node` is replaced when the board is reset."""

    def __init__(
        self,
        bus: VirtualBus,
        time: VirtualTime,
        site: Site,
        *,
        rate: int = RATE,
        gateway_class: type[GatewayLine] = GatewayLine,
    ) -> None:
        super().__init__(rate)
        self.node: NodeLine | None = None
        self._bus, self._time, self._site = bus, time, site
        self.gateway = gateway_class(self._admit, rate=rate)
        self._connection: _Connection | None = None
        self._muted = False
        self._timer: Timer | None = None
        self._down_until_ms = 0.0

    # ------------------------------------------------------------ what cases do
    def send(self, raw: bytes) -> None:
        """Put bytes on the line behind what is on its way to the node."""
        self._carry_down(raw)

    def mute(self, muted: bool) -> None:
        """Lose what the gateway sends."""
        self._muted = muted

    # ------------------------------------------------------------ what a bench does
    def plug(self, node: NodeLine | None) -> None:
        """Put a node at the end of the line, or none."""
        self.node = node
        self.pump()

    def pump(self) -> None:
        """Let both ends go on at the present instant, and come again when one of them has to."""
        now_ms = self._time.now_ms
        node = self.node
        if node is not None:
            node.tick(now_ms)
            while raw := node.take(now_ms):
                self._carry_up(node, raw)
        self.gateway.tick(now_ms)
        self._act()
        while raw := self.gateway.take(now_ms):
            if passed := self.came_down(raw, muted=self._muted):
                self._carry_down(passed)
        due = [self.gateway.next_tick(now_ms), None if node is None else node.next_tick(now_ms)]
        if self._timer is not None:
            self._timer.cancel()
        nearest = min((one for one in due if one is not None), default=now_ms + 1000)
        self._timer = self._time.call_at(max(nearest, now_ms + 1), self.pump)

    # ------------------------------------------------------------ between the ends
    def _carry_up(self, node: NodeLine, raw: bytes) -> None:
        self.log.add(raw, from_node=True, at_ms=self._time.now_ms)
        passed = self.came_up(raw)

        def arrive() -> None:
            self.gateway.feed(passed, self._time.now_ms)
            self._act()
            self.pump()

        if node is self.node:
            self._time.call_in(self._ms(raw), arrive)

    def _carry_down(self, raw: bytes) -> None:
        to = self.node
        begin_ms = max(float(self._time.now_ms), self._down_until_ms)
        self._down_until_ms = begin_ms + len(raw) * 10_000 / self.rate

        def arrive() -> None:
            if to is None or to is not self.node:
                return
            self.log.add(raw, from_node=False, at_ms=self._time.now_ms)
            to.feed(raw, self._time.now_ms)
            self.pump()

        self._time.call_at(round(self._down_until_ms), arrive)

    def _ms(self, raw: bytes) -> int:
        return round(len(raw) * 10_000 / self.rate)

    # ------------------------------------------------------------ the bus
    def _admit(self, site: str, name: str) -> NodeSite | None:
        return self._site.nodes.get(name) if site == self._site.name else None

    def _act(self) -> None:
        actions = self.gateway.actions
        while actions:
            match actions.popleft():
                case Opening() as opening:
                    self._open(opening)
                case Close():
                    self._drop()
                case Publication() as publication:
                    if self._connection is not None:
                        self._publish(self._connection, publication)

    def _open(self, opening: Opening) -> None:
        self._drop()
        node = self._site.nodes[opening.name]
        filters = self.gateway.subscriptions()
        self._connection = _Connection(self.gateway, opening, node, filters, self._lost, self.pump)
        self._bus.attach(self._connection)

    def _publish(self, connection: _Connection, publication: Publication) -> None:
        def work(_participant: Participant, _now_ms: int) -> Sequence[Publication]:
            return [publication]

        self._bus.call(connection.client_id, work)

    def _lost(self, connection: _Connection) -> None:
        """The bus has gone from under a connection: that one never comes again by itself."""
        if connection is self._connection:
            self._connection = None
            self._time.call_in(0, lambda: self._end(connection))
            self.gateway.lost(self._time.now_ms)
            self._time.call_in(0, self.pump)

    def _drop(self) -> None:
        """End the connection without a DISCONNECT."""
        connection, self._connection = self._connection, None
        if connection is not None:
            self._bus.sever(connection.client_id)
            self._end(connection)

    def _end(self, connection: _Connection) -> None:
        self._bus.detach(connection.client_id, graceful=False)
