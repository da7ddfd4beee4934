"""No message outgrows a small board, by MQTT's own formulas; packets as amqtt builds them agree."""

from __future__ import annotations

from socket import socketpair

import cbor2
import pytest
from amqtt.mqtt.connect import ConnectPacket, ConnectPayload, ConnectVariableHeader
from amqtt.mqtt.publish import PublishPacket
from hypothesis import given
from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from protocol.codec import encode
from protocol.site import Encoding
from protocol.sizes import (
    Size,
    connect_size,
    longest_payload,
    longest_topic,
    longest_will,
    publish_size,
    remaining_length_size,
    topic_and_payload,
    worst_connect,
    worst_sizes,
)
from protocol.specification import specification
from protocol.topics import parse_topic
from protocol.validation import read_message, read_publication
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


@pytest.mark.parametrize(
    ("topic", "encoding", "most"),
    [
        ("yw1/s/n/fault", Encoding.CBOR, "publish_cbor"),
        ("yw1/s/n/fault", Encoding.JSON, "publish_json"),
        ("yw1/s/n/job-order", Encoding.JSON, "publish_json"),
    ],
)
def test_a_payload_may_have_what_its_topic_leaves(topic: str, encoding: Encoding, most: str) -> None:
    assert longest_payload(topic, encoding) == specification().most(most) - len(topic)
    assert topic_and_payload(topic, bytes(5)) == len(topic) + 5


def test_a_yard_map_is_limited_in_its_payload_alone() -> None:
    for encoding in Encoding:
        assert (
            longest_payload("yw1/s/n/yard-map/p", encoding)
            == specification().most("publish_yard_map")
            == 1024
        )


@pytest.mark.parametrize("encoding", Encoding)
def test_a_message_of_the_very_limit_is_valid_and_one_byte_more_is_not(encoding: Encoding) -> None:
    """Topic and payload count together [ENC-07]: the longer topic makes the same payload too long."""
    body = {"boot": 7, "seq": 1, "uptime": 5, "active": [], "faults": 0}
    payload = encode("fault", body, encoding)
    most = specification().most(f"publish_{encoding}")
    site = "s" * 12
    for over in (0, 1):
        blanks = most + over - len(f"yw1/{site}/n/fault") - len(payload)
        if encoding is Encoding.CBOR:
            # An unknown field of one byte of key and two of head; receivers look past it [ENC-09].
            long = cbor2.dumps(cbor2.loads(payload) | {200: "x" * (blanks - 4)})
        else:
            long = payload[:-1] + b',"zz":"' + b"x" * (blanks - 8) + b'"}'
        read = read_publication(f"yw1/{site}/n/fault", long, retain=True, qos=1, closed=True)
        found = [one.requirement for one in read.findings]
        assert ("ENC-07" in found) is bool(over), (len(long), found)


@pytest.mark.parametrize("will", [None, (b"w", b"off"), (b"yw1/s/n/node-status", bytes(200))])
@pytest.mark.parametrize(("user", "password"), [(None, None), ("u", None), ("user-name", "password12")])
@pytest.mark.parametrize(("protocol", "version"), [(MQTTv311, "3.1.1"), (MQTTv5, "5")])
def test_a_connect_of_either_version_is_as_long_as_paho_sends_it(
    will: tuple[bytes, bytes] | None, user: str | None, password: str | None, protocol: int, version: str
) -> None:
    """Outside check: paho-mqtt 2, whose bytes go into a pair of sockets."""
    client = Client(CallbackAPIVersion.VERSION2, "north", protocol=protocol)  # type: ignore[arg-type]
    if will is not None:
        client.will_set(will[0].decode(), will[1], 1, retain=True)
    if user is not None:
        client.username_pw_set(user, password)
    near, far = socketpair()
    with far:
        client._create_socket = lambda: near  # type: ignore[method-assign]
        client.connect("nowhere")
        client.loop_write()
        sent = far.recv(4096)
        near.close()
    topic, payload = (len(will[0]), len(will[1])) if will else (None, None)
    name, secret = (None if text is None else len(text) for text in (user, password))
    assert len(sent) == connect_size(5, topic, payload, name, secret, version)


@pytest.mark.parametrize(("version", "lists"), [("3.1.1", 0), ("5", 2)])
def test_the_worst_connect_counts_every_part(version: str, lists: int) -> None:
    """MQTT 3.1.1 section 3.1: fixed header 2 bytes, variable header 10, each of five fields with 2 of length."""
    spec = specification()
    for encoding in Encoding:
        will = len(encode("node-status", longest_will(encoding), encoding))
        parts = [
            spec.most("client_id"),
            longest_topic("node-status"),
            will,
            spec.most("user_name"),
            spec.most("password"),
        ]
        assert worst_connect(encoding, version) == 2 + 10 + lists + 2 * 5 + sum(parts)
