"""Another client of the bus, that sees what was really published."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker
from protocol.topics import NotATopic, parse_topic
from protocol.validation import read_message

Heard = tuple[str, str, dict[str, Any]]
"""Node, message and body."""


class Listener:
    """Keeps every live message, in the order in which the broker passed it on."""

    def __init__(self, broker: Broker) -> None:
        self.heard: list[Heard] = []
        self._changed = threading.Condition()
        self._subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect(broker.host, broker.port)
        self._client.subscribe("#", qos=1)
        self._client.loop_start()

    def __enter__(self) -> Self:
        assert self._subscribed.wait(10)
        return self

    def __exit__(self, *exception: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _hear(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            topic = parse_topic(message.topic)
        except NotATopic:
            return
        body = read_message(topic.message, bytes(message.payload), closed=False).body
        if body is not None and not message.retain:
            with self._changed:
                self.heard.append((topic.node, topic.message, dict(body)))
                self._changed.notify_all()

    def wait_for(self, wanted: Callable[[list[Heard]], bool], within_s: float = 60) -> None:
        """Until `wanted` says so of all that was heard."""
        with self._changed:
            assert self._changed.wait_for(lambda: wanted(self.heard), within_s), self.heard[-20:]

    def orders(self, act: str) -> list[tuple[str, dict[str, Any]]]:
        """Every order of one act, with its node."""
        return acts(self.heard, "job-order", act)

    def reports(self, act: str) -> list[tuple[str, dict[str, Any]]]:
        """Every report about one act, with its node."""
        return acts(self.heard, "job-report", act)

    def boots(self) -> dict[str, int]:
        """The first boot that each node said it was in."""
        found: dict[str, int] = {}
        for node, message, body in self.heard:
            if message == "node-status" and body.get("state") == "on":
                found.setdefault(node, body["boot"])
        return found


def acts(heard: list[Heard], message: str, act: str) -> list[tuple[str, dict[str, Any]]]:
    """Bodies of one kind of message about one act, with their nodes."""
    return [(node, body) for node, kind, body in heard if kind == message and body.get("act") == act]
