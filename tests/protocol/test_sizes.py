"""No message outgrows a small board, by MQTT's own formulas; packets as amqtt builds them agree."""

from __future__ import annotations

import pytest
from amqtt.mqtt.connect import ConnectPacket, ConnectPayload, ConnectVariableHeader
from amqtt.mqtt.publish import PublishPacket
from hypothesis import given

from protocol.codec import encode
from protocol.site import Encoding
from protocol.sizes import (
    Size,
    connect_size,
    longest_topic,
    longest_will,
    publish_size,
    remaining_length_size,
    worst_connect,
    worst_sizes,
)
from protocol.specification import specification
from protocol.topics import parse_topic
from protocol.validation import read_message
from tests.strategies import Body, messages_and_bodies


@pytest.mark.parametrize("size", worst_sizes(), ids=lambda size: f"{size.message} {size.act} {size.encoding}")
def test_the_longest_message_fits_and_is_a_valid_one(size: Size) -> None:
    payload = encode(size.message, size.body, size.encoding)
    assert len(payload) == size.payload
    assert read_message(size.message, payload, closed=True).valid
    assert size.fits, f"{size.sum} bytes of topic and payload, {size.payload} of payload"


@pytest.mark.parametrize("message", specification().topics)
def test_the_longest_topic_is_a_topic(message: str) -> None:
    rule = specification().topics[message]
    topic = rule.pattern.format(site="s" * 12, node="n" * 8, place="p" * 8)
    assert str(parse_topic(topic)) == topic
    assert len(topic) == longest_topic(message)


@given(messages_and_bodies())
def test_no_valid_message_is_longer_than_the_worst(message_and_body: tuple[str, Body]) -> None:
    message, body = message_and_body
    for encoding in Encoding:
        worst = max(
            size.payload
            for size in worst_sizes()
            if size.message == message and size.encoding is encoding and size.act in (None, body.get("act"))
        )
        assert len(encode(message, body, encoding)) <= worst


@pytest.mark.parametrize("version", ["3.1.1", "5"])
@pytest.mark.parametrize("encoding", Encoding)
def test_a_connect_fits_into_128_bytes(encoding: Encoding, version: str) -> None:
    will = encode("node-status", longest_will(encoding), encoding)
    assert read_message("node-status", will, closed=True).valid
    assert worst_connect(encoding, version) <= specification().most("packet") == 128


@pytest.mark.parametrize(
    ("remaining", "size"), [(0, 1), (127, 1), (128, 2), (16383, 2), (16384, 3), (2097151, 3), (2097152, 4)]
)
def test_remaining_length(remaining: int, size: int) -> None:
    """MQTT 3.1.1 table 2.4, size of the remaining length field."""
    assert remaining_length_size(remaining) == size


@pytest.mark.parametrize("size", [0, 1, 2, 90, 121, 122, 384, 1024])
@pytest.mark.parametrize("qos", [0, 1])
def test_a_publish_is_as_long_as_a_library_makes_it(size: int, qos: int) -> None:
    topic = "yw1/s/n/fault"
    packet = PublishPacket.build(topic, bytes(size), 7 if qos else None, False, qos, False)
    assert len(packet.to_bytes()) == publish_size(len(topic), size, qos=qos)


def test_a_connect_is_as_long_as_a_library_makes_it() -> None:
    will = encode("node-status", longest_will(Encoding.JSON), Encoding.JSON)
    topic = "t" * longest_topic("node-status")
    header = ConnectVariableHeader(keep_alive=10)
    header.username_flag = header.password_flag = header.will_flag = header.will_retain_flag = True
    payload = ConnectPayload("n" * 8, topic, will, "u" * 8, "p" * 10)
    packet = ConnectPacket(variable_header=header, payload=payload).to_bytes()
    assert len(packet) == connect_size(8, len(topic), len(will), 8, 10) == worst_connect(Encoding.JSON)


@pytest.mark.parametrize(
    ("message", "encoding", "payload", "fits"),
    [
        ("fault", Encoding.CBOR, 90, True),
        ("fault", Encoding.CBOR, 91, False),
        ("fault", Encoding.JSON, 353, True),
        ("fault", Encoding.JSON, 354, False),
        ("yard-map", Encoding.CBOR, 1024, True),
        ("yard-map", Encoding.JSON, 1025, False),
    ],
)
def test_what_is_one_byte_too_long_does_not_fit(
    message: str, encoding: Encoding, payload: int, fits: bool
) -> None:
    assert Size(message, None, encoding, longest_topic(message), payload, {}).fits is fits
