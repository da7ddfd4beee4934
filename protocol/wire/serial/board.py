"""One port of a gateway: the line, the connection to the bus, and what passes between the two."""

from __future__ import annotations

import selectors
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from protocol.participant import Delivery, Publication
from protocol.site import NodeSite
from protocol.trouble import Trouble
from protocol.wire.dial import Dialler
from protocol.wire.endpoint import Endpoint
from protocol.wire.fail_stop import check
from protocol.wire.mqtt_link import Accepted, Closed, MqttLink, Refused, Subscribed
from protocol.wire.serial.gateway_line import Admit, Close, GatewayLine, Opening
from protocol.wire.serial.port import Line, LineGone, OpenLine
from protocol.wire.serial.writer import Writer

AGAIN_MS = 1000
"""How often a port that is not there is tried again."""


@dataclass(frozen=True, slots=True)
class _Connecting:
    """What of a board is known when it connects."""

    client_id: str
    keep_alive_s: int
    its_will: Publication

    def will(self) -> Publication:
        """That of this connection, as the board has asked for it [LNK-04]."""
        return self.its_will


class Board:
    """Whoever is at the other end of one port. Used on the gateway's thread, but for what is only shown."""

    def __init__(
        self,
        port: str,
        open_line: OpenLine,
        endpoint: Callable[[str], Endpoint],
        admit: Admit,
        ring: Callable[[], object],
        clock: Callable[[], int],
        *,
        rate: int | None,
    ) -> None:
        self.port = port
        self.trouble = ""
        """What is wrong with the port or the connection; '' where nothing is."""
        self._open, self._endpoint, self._ring, self._rate = open_line, endpoint, ring, rate
        self._admit = admit
        self._node: NodeSite | None = None
        self._line: Line | None = None
        self._open_at_ms = 0
        self._writer = Writer()
        self.end_of_line = GatewayLine(self._admitted, rate=rate)
        self._dialler: Dialler | None = None
        self._dialled_to: Endpoint | None = None
        self._link: MqttLink | None = None
        self._clock = clock

    @property
    def name(self) -> str:
        """The node whose connection this is; '' while it has none."""
        opening = self.end_of_line.opening
        return "" if opening is None else opening.name

    @property
    def plugged(self) -> bool:
        """Whether the port is open."""
        return self._line is not None

    # ------------------------------------------------------------ what the gateway does
    def work(self) -> None:
        """Go on with everything that does not wait."""
        now_ms = self._clock()
        if self._line is None and now_ms >= self._open_at_ms:
            self._plug(now_ms)
        if self._dialler is not None and self._dialler.finished:
            self._dialled(self._dialler)
        if self._link is not None:
            self._link.look_after()
            self._handle_events()
        if self._line is None:
            return
        self.end_of_line.tick(now_ms)
        self._act()
        try:
            self._writer.flush(self._line, self.end_of_line, time.monotonic_ns() / 1e6)
        except LineGone as gone:
            self._unplug(str(gone))

    def next_ms(self, now_ms: int) -> int:
        """When `work` has to be called next at the latest."""
        if self._line is None:
            return max(now_ms, self._open_at_ms)
        due = self.end_of_line.next_tick(now_ms)
        return now_ms + AGAIN_MS if due is None else due

    def register(self, selector: selectors.BaseSelector) -> None:
        """Name what is to be waited for; the data of each is what to call with the mask."""
        if self._line is not None:
            write = selectors.EVENT_WRITE if self._writer.is_stuck else 0
            selector.register(self._line, selectors.EVENT_READ | write, self._line_ready)
        if self._link is not None and self._link.socket is not None:
            write = selectors.EVENT_WRITE if self._link.wants_write else 0
            selector.register(self._link.socket, selectors.EVENT_READ | write, self._link_ready)

    def end(self) -> None:
        """Let go of everything, without a DISCONNECT."""
        self._cut()
        if self._line is not None:
            self._line.close()

    # ------------------------------------------------------------ the line
    def _plug(self, now_ms: int) -> None:
        try:
            self._line = self._open()
        except Trouble as trouble:
            self.trouble, self._open_at_ms = trouble.what, now_ms + AGAIN_MS
            return
        self.trouble = ""
        self._writer.forget()
        self.end_of_line = GatewayLine(self._admitted, rate=self._rate)

    def _unplug(self, why: str) -> None:
        if self._line is not None:
            self._line.close()
        self._line, self.trouble, self._open_at_ms = None, why, self._clock() + AGAIN_MS
        self.end_of_line.close(why, self._clock())
        self._act()

    def _line_ready(self, mask: int) -> None:
        if self._line is None or not mask & selectors.EVENT_READ:
            return
        try:
            self.end_of_line.feed(self._line.read(), self._clock())
        except LineGone as gone:
            self._unplug(str(gone))
            return
        self._act()

    # ------------------------------------------------------------ the bus
    def _act(self) -> None:
        """Do on the bus what the line's end asks for."""
        actions = self.end_of_line.actions
        while actions:
            match actions.popleft():
                case Opening() as opening:
                    self._dial(opening)
                case Close():
                    self._cut()
                case Publication() as publication:
                    check()
                    if self._link is not None:
                        self._link.publish(publication)

    def _admitted(self, site: str, name: str) -> NodeSite | None:
        self._node = self._admit(site, name)
        return self._node

    def _dial(self, opening: Opening) -> None:
        self._cut()
        try:
            endpoint = self._endpoint(opening.name)
        except Trouble as trouble:
            self._lost(trouble)
            return
        self._dialler = Dialler(endpoint, self._ring)
        self._dialled_to = endpoint

    def _dialled(self, dialler: Dialler) -> None:
        self._dialler = None
        opening, node = self.end_of_line.opening, self._node
        try:
            sock = dialler.result()
        except Trouble as trouble:
            self._lost(trouble)
            return
        if opening is None or node is None or self._dialled_to is None:
            sock.close()
            return
        connecting = _Connecting(opening.name, node.keep_alive_s, opening.will(node.qos))
        self._link = MqttLink(connecting, self._dialled_to, sock)

    def _link_ready(self, mask: int) -> None:
        link = self._link
        if link is None:
            return
        if mask & selectors.EVENT_WRITE:
            link.write()
        if mask & selectors.EVENT_READ:
            link.read()
        self._handle_events()

    def _handle_events(self) -> None:
        link = self._link
        while link is not None and link.events and self._link is link:
            match link.events.popleft():
                case Delivery() as delivery:
                    self.end_of_line.deliver(delivery)
                case Accepted():
                    link.subscribe(self.end_of_line.subscriptions())
                case Subscribed():
                    self.trouble = ""
                    self.end_of_line.opened(self._clock())
                case Refused(trouble):
                    self._cut()
                    self._lost(trouble)
                case Closed() as closed:
                    self._link = None
                    self._lost(Trouble(f"the connection was lost: {closed.why}"))

    def _lost(self, trouble: Trouble) -> None:
        self.trouble = trouble.what
        self.end_of_line.lost(self._clock())

    def _cut(self) -> None:
        """Break the connection off, if there is one: the broker sends the will."""
        if self._dialler is not None:
            self._dialler.drop()
        link, self._dialler, self._link = self._link, None, None
        if link is not None and link.socket is not None:
            with suppress(OSError):  # The broker has reset it already.
                link.socket.shutdown(socket.SHUT_RDWR)
            link.abort()
