"""One MQTT connection by paho-mqtt, driven by hand: whoever owns it says when to read, write and ping.

A link lives for one connection and is then thrown away. So the will is always the one of this connection
[LNK-04], and no message that was queued on the last one comes out on the next, hours after its time.
"""

from __future__ import annotations

import socket
import ssl
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from protocol.participant import Delivery, Publication
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt_client import MqttClient
from protocol.wire.refusals import refused

VERSIONS = {311: MQTTProtocolVersion.MQTTv311, 5: MQTTProtocolVersion.MQTTv5}
LINGER_S = 1.0
"""How long a link that leaves waits for the broker to close its end, too."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """CONNACK came and says welcome."""


@dataclass(frozen=True, slots=True)
class Subscribed:
    """SUBACK came and refuses nothing."""


@dataclass(frozen=True, slots=True)
class Refused:
    """CONNACK or SUBACK came and says no."""

    trouble: Trouble


@dataclass(frozen=True, slots=True)
class Closed:
    """The connection is gone; `error` is what the network said, and `unanswered` that nothing ever came."""

    why: str
    error: OSError | None = None
    unanswered: bool = False


Event = Accepted | Subscribed | Refused | Closed | Delivery


class Connecting(Protocol):
    """What is known of a participant when it connects."""

    @property
    def client_id(self) -> str:
        """Client identifier, the same at every connection [LNK-11]."""

    @property
    def keep_alive_s(self) -> int:
        """Keep-alive asked for in CONNECT, in seconds [LNK-02]."""

    def will(self) -> Publication | None:
        """The will of this connection [LNK-04]."""


class MqttLink:
    """One connection of one participant, used by one thread."""

    def __init__(self, participant: Connecting, endpoint: Endpoint, sock: socket.socket) -> None:
        """Ask the participant for its will and send CONNECT. Raises ValueError for an unknown version."""
        if endpoint.version not in VERSIONS:
            raise ValueError(f"MQTT version {endpoint.version} is not known here: 311 or 5")
        self.events: deque[Event] = deque()
        self._endpoint = endpoint
        self._filters: list[tuple[str, int]] = []
        self._leaving = False
        self._client = self._new_client(participant, sock)
        # One client for one connection, so version 5 starts clean; session expiry is 0 unless named [LNK-01].
        self._client.connect(endpoint.host, endpoint.port, participant.keep_alive_s)

    def _new_client(self, participant: Connecting, sock: socket.socket) -> _Client:
        protocol = VERSIONS[self._endpoint.version]
        client = _Client(
            sock,
            CallbackAPIVersion.VERSION2,
            client_id=participant.client_id,
            clean_session=True if protocol == MQTTProtocolVersion.MQTTv311 else None,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        will = participant.will()
        if will is not None:
            client.will_set(will.topic, will.payload, will.qos, will.retain)
        if self._endpoint.user is not None:
            client.username_pw_set(self._endpoint.user, self._endpoint.password)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        client.on_socket_close = self._on_socket_close
        return client

    # ------------------------------------------------------------ what the owner does
    @property
    def socket(self) -> socket.socket | None:
        """What to wait on; None once the connection is closed."""
        sock = self._client.socket()
        return sock if isinstance(sock, socket.socket) else None

    @property
    def wants_write(self) -> bool:
        """Whether something waits until the socket takes more."""
        return self._client.want_write()

    def read(self) -> None:
        """Read what is there; the outcome is in `events`."""
        while True:
            sock = self.socket
            if sock is None:
                return
            try:
                self._client.loop_read()
            except (ValueError, IndexError, KeyError) as error:
                self._client.raise_failure()
                self.events.append(Closed(f"the broker sent an invalid MQTT packet ({error})"))
                self.abort()
                return
            if not (isinstance(sock, ssl.SSLSocket) and self.socket is sock and sock.pending()):
                return

    def write(self) -> None:
        """Write what is waiting."""
        self._client.loop_write()

    def look_after(self) -> None:
        """Ping if it is time, and close if the broker has been silent; call some times a second."""
        self._client.loop_misc()

    def subscribe(self, filters: Sequence[tuple[str, int]]) -> None:
        """Send one SUBSCRIBE for all filters."""
        self._filters = list(filters)
        self._client.subscribe(self._filters)

    def publish(self, publication: Publication) -> None:
        """Send a message."""
        self._client.publish(publication.topic, publication.payload, publication.qos, publication.retain)

    def leave(self) -> None:
        """DISCONNECT, then wait until the broker has read it and closed its end."""
        self._leaving = True
        self._client.disconnect()

    def abort(self) -> None:
        """Close without DISCONNECT: the broker sends the will."""
        sock = self.socket
        if sock is not None:
            sock.close()
            self._client.loop_read()  # so that paho notices

    # ------------------------------------------------------------ what paho tells
    def _on_connect(
        self,
        client: Client,
        data: Any,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.events.append(Refused(refused(self._endpoint, reason.value)))
            return
        # paho pings only once a whole keep-alive has passed, which is a moment too late for [LNK-03].
        client._keepalive = client.keepalive * 3 // 4
        self.events.append(Accepted())

    def _on_subscribe(
        self, client: Client, data: Any, mid: int, codes: list[ReasonCode], properties: Properties | None
    ) -> None:
        refused = [one for (one, _), code in zip(self._filters, codes, strict=False) if code.is_failure]
        if refused:
            what = f"the broker refuses to subscribe {', '.join(refused)}"
            fix = "Give this user the right to read there"
            self.events.append(Refused(Trouble(what, where=str(self._endpoint), fix=fix)))
        else:
            self.events.append(Subscribed())

    def _on_message(self, client: Client, data: Any, message: MQTTMessage) -> None:
        self.events.append(
            Delivery(message.topic, bytes(message.payload), message.qos, message.retain, message.dup)
        )

    def _on_disconnect(
        self,
        client: Client,
        data: Any,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        heard = self._client.heard
        self.events.append(Closed(str(reason).lower(), self._client.error, unanswered=not heard))

    def _on_socket_close(self, client: Client, data: Any, sock: Any) -> None:
        # Closed with bytes unread, TCP may throw away a DISCONNECT still on its way (RFC 2525 section 2.17).
        if self._leaving:
            _drain(sock)


def _drain(sock: socket.socket) -> None:
    with suppress(OSError):  # gone or stalled: nothing more can be done for it
        sock.settimeout(LINGER_S)
        sock.shutdown(socket.SHUT_WR)
        while sock.recv(4096):
            pass


class _Client(MqttClient):
    """paho's client on a stream that is open already, so that CONNECT goes out when its owner says so."""

    def __init__(self, sock: socket.socket, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._open_socket = sock
        self.error: OSError | None = None
        """What the socket raised last when it was read."""
        self.heard = False
        """Whether anything ever came."""

    def _sock_recv(self, bufsize: int) -> bytes:
        try:
            data = super()._sock_recv(bufsize)
        except BlockingIOError:
            raise
        except OSError as error:
            self.error = error
            raise
        self.heard = self.heard or bool(data)
        return data

    def _create_socket(self) -> socket.socket:
        return self._open_socket
