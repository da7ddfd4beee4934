"""Says a recording again on a broker: in its own time, faster or slower, or as fast as it is acknowledged."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Event, Lock
from time import monotonic
from typing import TYPE_CHECKING

from conformance.bench.address import Address
from conformance.bench.probe import probe
from conformance.traffic.restamp import Restamp
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage
from protocol.specification import specification
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from paho.mqtt.client import Client

LISTEN_S = 2.6
"""State messages come at least every 2 s: whoever is there has been heard after this."""
ACKNOWLEDGED_S = 10.0


@dataclass(frozen=True, slots=True)
class Part:
    """Which messages are said again; retained ones of the recording's start are of a time before it."""

    nodes: frozenset[str] = frozenset()
    """Only what these nodes say; empty for everybody."""
    supervisor: bool = False
    """Only orders and the supervisor's own messages."""

    def of(self, items: Iterable[Item]) -> Iterator[RecordedMessage]:
        """The messages of a recording that belong to this part."""
        reader = BulkReader()
        supervisors: set[str] = set()
        for item in items:
            if not isinstance(item, RecordedMessage) or item.retain:
                continue
            topic = reader.topic(item.topic)
            if topic is None:
                continue
            if topic.message == "yard-map":
                supervisors.add(topic.node)
            elif topic.message == "node-status" and topic.node not in supervisors:
                body = reader.decode(item.topic, item.payload) or {}
                if "supervisor" in body.get("roles", ()):
                    supervisors.add(topic.node)
            of_supervisor = topic.message == "job-order" or topic.node in supervisors
            if self.supervisor and not of_supervisor:
                continue
            if self.nodes and (topic.message == "job-order" or topic.node not in self.nodes):
                continue
            yield item

    @property
    def orders(self) -> bool:
        """Whether orders are among them, so that machines may move."""
        return not self.nodes


@contextmanager
def connected(address: Address) -> Iterator[Client]:
    """A client of the broker. Raises Trouble."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    probe(address)
    client = Client(CallbackAPIVersion.VERSION2, f"rpl-{secrets.token_hex(3)}")
    if address.user is not None:
        client.username_pw_set(address.user, address.password)
    context = address.tls_context()
    if context is not None:
        client.tls_set_context(context)
    up = Event()
    client.on_connect = lambda *_: up.set()
    client.max_inflight_messages_set(20)
    client.connect(address.host, address.port)
    client.loop_start()
    try:
        if not up.wait(ACKNOWLEDGED_S):
            raise Trouble("the broker does not answer", where=address.name)
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def who_is_live(client: Client, site: str) -> tuple[dict[str, bool | None], dict[str, int]]:
    """Every node heard within `LISTEN_S`, and whether it says bench; None where it has not said. And their boots.

    A retained 'off' or nothing at all is nobody; any live word outweighs 'off'.
    """
    reader = BulkReader()
    bench: dict[str, bool | None] = {}
    boots: dict[str, int] = {}
    lock = Lock()

    def hear(_client: object, _data: object, message: object) -> None:
        topic_text, payload = str(message.topic), bytes(message.payload)  # type: ignore[attr-defined]
        topic = reader.topic(topic_text)
        body = reader.decode(topic_text, payload) if topic else None
        if topic is None or body is None or topic.message in ("job-order", "yard-map"):
            return
        with lock:
            if not message.retain and "boot" in body:  # type: ignore[attr-defined]
                boots[topic.node] = body["boot"]
            if topic.message == "node-status":
                if body.get("state") == "on":
                    bench[topic.node] = bool(body.get("bench"))
                elif message.retain:  # type: ignore[attr-defined]
                    bench.pop(topic.node, None)
            elif not message.retain:  # type: ignore[attr-defined]
                bench.setdefault(topic.node, None)

    client.on_message = hear
    client.subscribe(f"{specification().root}/{site}/#", 0)
    Event().wait(LISTEN_S)
    client.unsubscribe(f"{specification().root}/{site}/#")
    client.on_message = None
    with lock:
        return dict(bench), dict(boots)


def say(
    client: Client,
    messages: Iterable[RecordedMessage],
    restamp: Restamp,
    *,
    speed: float | None,
    told: Callable[[int], object] | None = None,
) -> int:
    """Publish them all and give their number; `speed` None: as fast as the broker acknowledges. Raises Trouble."""
    number = 0
    began = monotonic()
    first_us: int | None = None
    pause = Event()
    for item in messages:
        if first_us is None:
            first_us = item.at_us
        if speed is not None:
            wait = (item.at_us - first_us) / 1e6 / speed - (monotonic() - began)
            if wait > 0:
                pause.wait(wait)
        publication = restamp.publication(item)
        info = client.publish(publication.topic, publication.payload, publication.qos, publication.retain)
        if speed is None or number % 1000 == 0:
            # At QoS 0 this waits until it is written, so that nothing piles up here.
            _wait(info)
        number += 1
        if told is not None:
            told(number)
    if number:
        _wait(info)
    return number


def _wait(info: object) -> None:
    try:
        info.wait_for_publish(ACKNOWLEDGED_S)  # type: ignore[attr-defined]
        done = info.is_published()  # type: ignore[attr-defined]
    except (RuntimeError, ValueError) as error:
        raise Trouble(f"the broker is gone: {error}") from None
    if not done:
        raise Trouble(f"the broker has not acknowledged a message within {ACKNOWLEDGED_S:g} s")
