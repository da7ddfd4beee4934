"""amqtt 0.12.1 with its defects fixed, each named where it is.

What is fixed here is tested in tests/bench/test_embedded_defects.py against this version; the version is
pinned. Requirement numbers are those of MQTT 3.1.1.
"""

from __future__ import annotations

import asyncio
import hmac
from collections import deque
from collections.abc import Mapping
from typing import Any

from amqtt.adapters import BufferReader
from amqtt.broker import Broker, RetainedApplicationMessage
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.errors import AMQTTError, MQTTError, NoDataError, ProtocolHandlerError
from amqtt.mqtt.connack import BAD_USERNAME_PASSWORD, ConnackPacket
from amqtt.mqtt.connect import ConnectPacket
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.session import Session

from conformance.bench.brokers.amqtt_streams import PacketReader, PromptWriter
from conformance.bench.mqtt.packets import V311

TAKE_OVER_TIMEOUT = 2.0
DRAIN_TIMEOUT = 1.0
LONGEST_BACKLOG = 10_000
"""Messages that may wait for one client. Past it a live client is cut off, which it notices, rather than lose
messages, which it would not; for one that is away the oldest go."""


async def _no_retries() -> None:
    pass


class MendedBroker(Broker):  # type: ignore[misc]
    """An MQTT 3.1.1 broker for one event loop. `users` maps names to passwords; None lets anyone in.

    Not fixed: what is delivered again after a reconnect has a new packet id and no DUP flag, and a QoS 2
    exchange does not survive a reconnect. The protocol uses QoS 0 and 1, and asks nobody to rely on DUP.
    """

    def __init__(self, config: BrokerConfig, users: Mapping[str, str] | None = None) -> None:
        super().__init__(config, asyncio.get_running_loop())
        self._users = users
        self._open: dict[PromptWriter, asyncio.Task[Any]] = {}
        self._serving: dict[str, tuple[asyncio.Task[Any], PromptWriter]] = {}
        self._sends: dict[BrokerProtocolHandler, dict[asyncio.Task[None], None]] = {}

    @property
    def bound_port(self) -> int:
        """The TCP port it listens on."""
        port: int = self._servers["default"].instance.sockets[0].getsockname()[1]
        return port

    # Connections

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one connection; whatever way it ends, its socket is closed (amqtt leaves some open)."""
        prompt = PromptWriter(writer)
        task = asyncio.current_task()
        assert task is not None
        self._open[prompt] = task
        try:
            await self._client_connected(listener_name, PacketReader(reader), prompt)
        except (MQTTError, NoDataError, ProtocolHandlerError, OSError) as error:
            self.logger.debug(f"connection ended: {error}")
        finally:
            await prompt.close()
            del self._open[prompt]

    async def _initialize_client_session(
        self, reader: PacketReader, writer: PromptWriter, remote_address: str, remote_port: int
    ) -> tuple[BrokerProtocolHandler, Session]:
        raw = await reader.next_packet()
        if not raw:
            raise NoDataError("no CONNECT came")
        connect = await ConnectPacket.from_stream(BufferReader(raw))
        if connect.proto_level == V311:
            await self._admit(connect, writer)
            await self._take_over(connect.client_id)
        handler, session = await super()._initialize_client_session(
            BufferReader(raw), writer, remote_address, remote_port
        )
        # amqtt would send again, on connect, what it has just sent, and greet the client only when that is
        # acknowledged. What an earlier connection left unacknowledged is kept in `_keep` instead.
        handler._retry_deliveries = _no_retries
        # It keeps the retain flag of an earlier connection's will.
        session.will_retain = connect.will_retain_flag
        # It also takes a silent client for a live one: the reader watches the time instead.
        reader.silence_limit = 1.5 * session.keep_alive if session.keep_alive else None
        session.keep_alive = 0
        task = asyncio.current_task()
        assert task is not None
        self._serving[session.client_id] = (task, writer)
        return handler, session

    async def _admit(self, connect: ConnectPacket, writer: PromptWriter) -> None:
        """Check user and password before anything else is touched (amqtt ends the old session first)."""
        if self._users is None:
            return
        wanted = self._users.get(connect.username or "")
        given = connect.password if connect.password is not None else ""
        if wanted is None or not hmac.compare_digest(wanted.encode(), given.encode()):
            await ConnackPacket.build(0, BAD_USERNAME_PASSWORD).to_stream(writer)
            raise MQTTError("user name or password refused")

    async def _take_over(self, client_id: str) -> None:
        """End the connection that has this client id, its will included: [MQTT-3.1.4-2]. amqtt keeps both."""
        while (old := self._serving.get(client_id)) is not None:
            task, writer = old
            writer.drop()
            await asyncio.wait({task}, timeout=TAKE_OVER_TIMEOUT)
            if self._serving.get(client_id) is old:
                del self._serving[client_id]

    async def _authenticate(self, session: Session, _: ListenerConfig) -> bool:
        return True

    async def _handle_client_session(
        self, reader: PacketReader, writer: PromptWriter, client_session: Session, *rest: Any
    ) -> None:
        try:
            await super()._handle_client_session(reader, writer, client_session, *rest)
        finally:
            client_id = client_session.client_id
            if self._serving.get(client_id, (None,))[0] is asyncio.current_task():
                del self._serving[client_id]
                # amqtt lets a later persistent session inherit it for a second: [MQTT-3.1.2-6].
                if client_session.clean_session:
                    await self._delete_session(client_id)

    async def _client_message_loop(self, client_session: Session, handler: BrokerProtocolHandler) -> None:
        """Serve a client until it leaves; what it sent before leaving still counts (amqtt forgets some)."""
        workers = [
            asyncio.create_task(work(client_session, handler))
            for work in (self._serve_subscribes, self._serve_unsubscribes, self._serve_publishes)
        ]
        try:
            # amqtt waits for a signal that it misses when a client leaves while it is still being greeted.
            await asyncio.wait({handler._reader_task})
            async with asyncio.timeout(DRAIN_TIMEOUT):
                await client_session.delivered_message_queue.join()
        except TimeoutError:
            self.logger.debug("gave up on messages of a client that left")
        finally:
            for worker in workers:
                worker.cancel()
            await asyncio.gather(*workers, return_exceptions=True)
            await self._leave(client_session, handler)

    async def _leave(self, session: Session, handler: BrokerProtocolHandler) -> None:
        # By the same gap amqtt misses a DISCONNECT right behind the CONNECT, and sends the will.
        if session.will_flag and not handler.reader.disconnected:
            await self._broadcast_message(session, session.will_topic, session.will_message, session.will_qos)
            if session.will_retain:
                await self.retain_message(session, session.will_topic, session.will_message, session.will_qos)
        session.will_flag = False
        session.transitions.disconnect()
        await self._stop_handler(handler)
        # amqtt leaves them waiting, and keeps the client's next connection waiting for them.
        # One that has not begun yet could not keep its message when cancelled: let all begin.
        await asyncio.sleep(0)
        sends = list(self._sends.pop(handler, {}))
        for task in sends:
            task.cancel()
        await asyncio.gather(*sends, return_exceptions=True)

    # Subscriptions

    async def _serve_subscribes(self, session: Session, handler: BrokerProtocolHandler) -> None:
        while True:
            wanted = await handler.get_next_pending_subscription()
            codes = [await self.add_subscription(one, session) for one in wanted.topics]
            await handler.mqtt_acknowledge_subscription(wanted.packet_id, codes)
            for (topic_filter, _), granted in zip(wanted.topics, codes, strict=True):
                if granted < 0x80:
                    self._send_retained(session, topic_filter, granted)

    async def _serve_unsubscribes(self, session: Session, handler: BrokerProtocolHandler) -> None:
        while True:
            unwanted = await handler.get_next_pending_unsubscription()
            for topic_filter in unwanted.topics:
                self._del_subscription(topic_filter, session)
            await handler.mqtt_acknowledge_unsubscription(unwanted.packet_id)

    async def add_subscription(self, subscription: tuple[str, int], session: Session) -> int:
        """Subscribe; the same filter again replaces the old QoS ([MQTT-3.8.4-3]; amqtt keeps it)."""
        self._del_subscription(subscription[0], session)
        granted: int = await super().add_subscription(subscription, session)
        return granted

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        """Send nothing: amqtt calls this on connect, with the filters of all other clients."""

    def _send_retained(self, session: Session, topic_filter: str, granted: int) -> None:
        for topic, kept in list(self._retained_messages.items()):
            if self._matches(topic, topic_filter):
                # amqtt raises a message that was retained at QoS 0 to what was granted.
                self._deliver(session, topic, kept.data, min(granted, kept.qos or 0), retain=True)

    # Messages

    async def _serve_publishes(self, session: Session, handler: BrokerProtocolHandler) -> None:
        queue = session.delivered_message_queue
        while True:
            message = await queue.get()
            try:
                await self._broadcast_message(session, message.topic, message.data, message.qos)
                if message.retain:
                    await self.retain_message(session, message.topic, message.data, message.qos)
            finally:
                queue.task_done()

    async def _run_broadcast(self, running_tasks: deque[asyncio.Task[Any]]) -> None:
        """Give one message to everyone subscribed, once each, at the lower QoS of both (section 3.8.4)."""
        message = await self._broadcast_queue.get()
        wanted: dict[str, tuple[Session, int]] = {}
        for topic_filter, subscriptions in self._subscriptions.items():
            if not self._matches(message["topic"], topic_filter):
                continue
            for session, granted in subscriptions:
                _, before = wanted.get(session.client_id, (session, 0))
                wanted[session.client_id] = (session, max(before, granted))
        for session, granted in wanted.values():
            self._deliver(
                session, message["topic"], message["data"], min(granted, message["qos"]), retain=False
            )

    def _deliver(self, session: Session, topic: str, data: bytes, qos: int, *, retain: bool) -> None:
        """Send to a client that is here; keep for one that will come back to its session."""
        message = RetainedApplicationMessage(None, topic, data, qos)
        handler = self._get_handler(session)
        if handler is None or session.transitions.state != "connected":
            self._keep(session, message)
            return
        backlog = session.attributes["backlog"] = session.attributes.get("backlog", 0) + 1
        if backlog > LONGEST_BACKLOG and handler.writer is not None:
            handler.writer.drop()
        task = asyncio.create_task(self._send(session, handler, message, retain))
        sends = self._sends.setdefault(handler, {})
        sends[task] = None
        task.add_done_callback(lambda done: sends.pop(done, None))

    async def _send(
        self,
        session: Session,
        handler: BrokerProtocolHandler,
        message: RetainedApplicationMessage,
        retain: bool,
    ) -> None:
        try:
            await handler.mqtt_publish(message.topic, message.data, message.qos, retain)
        except (AMQTTError, MQTTError, ProtocolHandlerError, OSError, asyncio.CancelledError):
            # The client left, or did not acknowledge: amqtt forgets the message, [MQTT-4.4.0-1] does not.
            self._keep(session, message)
        finally:
            session.attributes["backlog"] -= 1

    def _keep(self, session: Session, message: RetainedApplicationMessage) -> None:
        if session.clean_session or not message.qos:
            return
        while session.retained_messages.qsize() >= LONGEST_BACKLOG:
            session.retained_messages.get_nowait()
        session.retained_messages.put_nowait(message)

    async def _publish_session_retained_messages(self, session: Session) -> None:
        """Send what was kept while the client was away; amqtt marks it as retained, which it is not."""
        for _ in range(session.retained_messages.qsize()):
            kept = session.retained_messages.get_nowait()
            self._deliver(session, kept.topic, kept.data, kept.qos, retain=False)

    # The end

    async def shutdown(self) -> None:
        """Stop, waiting for nobody long: amqtt waits until every client has taken its last bytes."""
        for server in self._servers.values():
            server.instance.close()
        for writer in list(self._open):
            writer.drop()
        if self._open:
            await asyncio.wait(list(self._open.values()), timeout=TAKE_OVER_TIMEOUT)
        await super().shutdown()

    @classmethod
    def _split_bindaddr_port(cls, port_str: str, default_port: int) -> tuple[str | None, int]:
        """Read 'address:port'; amqtt keeps the brackets of an IPv6 address, which then cannot be bound."""
        address, port = super()._split_bindaddr_port(port_str, default_port)
        return None if address is None else address.strip("[]"), port
