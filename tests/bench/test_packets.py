"""The packet decoder against the standards' tables, a second implementation, and every way to cut bytes."""

from __future__ import annotations

import pytest
from amqtt.mqtt.connack import ConnackPacket
from amqtt.mqtt.puback import PubackPacket
from amqtt.mqtt.publish import PublishPacket
from amqtt.mqtt.suback import SubackPacket
from amqtt.mqtt.subscribe import SubscribePacket
from amqtt.mqtt.unsubscribe import UnsubscribePacket
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties as PahoProperties

from conformance.bench.mqtt.framing import Malformed, Splitter, decode_length, encode_length, packet, string
from conformance.bench.mqtt.packets import V5, decode, decode_or_explain
from conformance.bench.mqtt.properties import KINDS
from conformance.bench.virtual_bench import packet_size
from protocol.wire.packet import (
    Ack,
    Connack,
    Connect,
    Disconnect,
    Granted,
    Kind,
    Packet,
    Ping,
    Publish,
    Subscribe,
    Subscription,
    Unreadable,
    Unsubscribe,
    Will,
)
from tests.bench.wire import connect, publish, subscribe

# MQTT 3.1.1 section 2.2.3, table 2.4 'Size of Remaining Length field': the first and last of each size.
TABLE_2_4 = [
    (0, "00"),
    (127, "7f"),
    (128, "80 01"),
    (16_383, "ff 7f"),
    (16_384, "80 80 01"),
    (2_097_151, "ff ff 7f"),
    (2_097_152, "80 80 80 01"),
    (268_435_455, "ff ff ff 7f"),
    # The worked example in the text above the table: 321 = 65 + 2 * 128.
    (321, "c1 02"),
]


@pytest.mark.parametrize(("value", "coded"), TABLE_2_4)
def test_remaining_length_is_that_of_the_standards_table(value: int, coded: str) -> None:
    raw = bytes.fromhex(coded)
    assert encode_length(value) == raw
    assert decode_length(raw, 0) == (value, len(raw))
    for cut in range(len(raw)):
        assert decode_length(raw[:cut], 0) is None


@pytest.mark.parametrize("value", [-1, 268_435_456])
def test_remaining_length_has_bounds(value: int) -> None:
    with pytest.raises(ValueError, match="remaining length"):
        encode_length(value)


def test_a_fifth_length_byte_is_malformed() -> None:
    """It is named by the byte that announces one byte too many."""
    for before in (0, 3):
        with pytest.raises(Malformed, match="four bytes") as caught:
            decode_length(bytes(before) + b"\x80\x80\x80\x80\x01", before)
        assert caught.value.at == before + 3


@pytest.mark.parametrize("topic", ["a", "yw1/harlow-basin/north/crane-status"])
@pytest.mark.parametrize("size", [0, 100, 121, 200, 16_384])
@pytest.mark.parametrize("qos", [0, 1])
def test_publish_size_by_the_standards_formula(topic: str, size: int, qos: int) -> None:
    """Fixed header 1 + length field; then 2 + topic, 2 at QoS 1, and the payload (sections 2.2, 3.3)."""
    remaining = 2 + len(topic) + 2 * qos + size
    field = 1 + sum(remaining >= bound for bound in (128, 16_384, 2_097_152))
    assert len(publish(topic, bytes(size), qos)) == 1 + field + remaining


WILL = Will("w/north", b"off", 1, True)
SAMPLES: list[tuple[bytes, Packet]] = [
    (
        connect("north", keep_alive=15, will=("w/north", b"off", 1, True), login=("u", "p")),
        Connect("MQTT", 4, "north", True, 15, WILL, "u", 1),
    ),
    (connect("", clean=False, keep_alive=65_535), Connect("MQTT", 4, "", False, 65_535, None, None, None)),
    (ConnackPacket.build(1, 0).to_bytes(), Connack(True, 0)),
    (ConnackPacket.build(0, 5).to_bytes(), Connack(False, 5)),
    (PublishPacket.build("x", b"", None, False, 0, True).to_bytes(), Publish("x", b"", 0, True, False, None)),
    (
        PublishPacket.build("x/é", b"\0\xff", 513, True, 1, False).to_bytes(),
        Publish("x/é", b"\0\xff", 1, False, True, 513),
    ),
    (PubackPacket.build(65_535).to_bytes(), Ack(Kind.PUBACK, 65_535)),
    (bytes.fromhex("62020102"), Ack(Kind.PUBREL, 258)),
    (
        SubscribePacket.build([("x/#", 1), ("+/y", 0)], 7).to_bytes(),
        Subscribe(7, (Subscription("x/#", 1, 1), Subscription("+/y", 0, 0))),
    ),
    (SubackPacket.build(7, [1, 0x80]).to_bytes(), Granted(Kind.SUBACK, 7, (1, 0x80))),
    (UnsubscribePacket.build(["x/#"], 8).to_bytes(), Unsubscribe(8, ("x/#",))),
    (bytes.fromhex("b0020008"), Granted(Kind.UNSUBACK, 8, ())),
    (bytes.fromhex("c000"), Ping(Kind.PINGREQ)),
    (bytes.fromhex("d000"), Ping(Kind.PINGRESP)),
    (bytes.fromhex("e000"), Disconnect()),
]
RAW = [raw for raw, _ in SAMPLES]
IDS = [f"{type(wanted).__name__}-{number}" for number, (_, wanted) in enumerate(SAMPLES)]


@pytest.mark.parametrize(("raw", "wanted"), SAMPLES, ids=IDS)
def test_packets_that_another_implementation_wrote(raw: bytes, wanted: object) -> None:
    """Most bytes are amqtt's; those of four bytes or less are spelt out from the standard's figures."""
    assert decode(raw) == wanted


def test_bytes_one_by_one_give_the_same_packets_as_all_at_once() -> None:
    stream = b"".join(RAW)
    for size in (1, 2, 3, 7, len(stream)):
        splitter = Splitter()
        got = []
        for start in range(0, len(stream), size):
            splitter.feed(stream[start : start + size])
            while (raw := splitter.next_packet()) is not None:
                got.append(raw)
        assert got == RAW
        assert splitter.rest == b""


@pytest.mark.parametrize("raw", RAW, ids=IDS)
def test_cut_at_every_length_no_packet_comes_out(raw: bytes) -> None:
    for cut in range(len(raw)):
        splitter = Splitter()
        splitter.feed(raw[:cut])
        assert splitter.next_packet() is None
        assert splitter.rest == raw[:cut]
        with pytest.raises(Malformed):
            decode(raw[:cut])


@pytest.mark.parametrize("raw", RAW, ids=IDS)
def test_a_tail_is_refused(raw: bytes) -> None:
    with pytest.raises(Malformed):
        decode(raw + b"\0")


@pytest.mark.parametrize("raw", RAW, ids=IDS)
def test_a_body_cut_short_is_explained_never_an_error_of_ours(raw: bytes) -> None:
    body = raw[2:]
    for cut in range(len(body)):
        decoded = decode_or_explain(packet(raw[0], body[:cut]))
        assert isinstance(decoded, Unreadable | Publish | Subscribe | Unsubscribe | Granted | Connack)


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (bytes.fromhex("0000"), "type 0 is reserved"),  # table 2.1
        (bytes.fromhex("f000"), "type 15 is reserved"),  # table 2.1
        (bytes.fromhex("c100"), "flags of a PINGREQ are 1"),  # [MQTT-2.2.2-2]
        (subscribe("x", 1).replace(b"\x82", b"\x80"), "flags of a SUBSCRIBE are 0"),  # [MQTT-3.8.1-1]
        (subscribe("x", 3), "requested QoS is 3"),  # [MQTT-3-8.3-4]
        (packet(0x82, b"\0\1"), "without a topic filter"),  # [MQTT-3.8.3-3]
        (packet(0xA2, b"\0\1"), "without a topic filter"),  # [MQTT-3.10.3-2]
        (packet(0x36, string("x") + b"\0\1"), "QoS is 3"),  # [MQTT-3.3.1-4]
        (publish("x", b"", 1, packet_id=0), "packet id is 0"),  # [MQTT-2.3.1-1]
        (packet(0x30, b"\0\2\xc3\x28"), "not UTF-8 .byte 4"),  # [MQTT-1.5.3-1]
        (packet(0x30, b"\0\3a\0b"), "U.0000 .byte 5"),  # [MQTT-1.5.3-2]
        (packet(0x10, string("MQTT") + b"\4\3\0\0" + string("a")), "reserved connect flag"),  # [MQTT-3.1.2-3]
        (packet(0x10, string("MQTT") + b"\4\x22\0\0" + string("a")), "without a will"),  # [MQTT-3.1.2-15]
        (packet(0x10, string("MQTT") + b"\4\x1e\0\0" + string("a")), "will QoS is 3"),  # [MQTT-3.1.2-14]
    ],
)
def test_what_the_standard_forbids_is_named(raw: bytes, reason: str) -> None:
    with pytest.raises(Malformed, match=reason):
        decode(raw)


# MQTT 5.0 section 2.2.2.2, table 2-4: identifiers and types; one of each type.
VERSION_5: list[tuple[bytes, Packet]] = [
    (
        packet(0x30, string("x") + bytes.fromhex("0d 0101 020000003c 0bc102 230005") + b"p"),
        Publish(
            "x",
            b"p",
            0,
            False,
            False,
            None,
            {
                "payload-format-indicator": (1,),
                "message-expiry-interval": (60,),
                "subscription-identifier": (321,),
                "topic-alias": (5,),
            },
        ),
    ),
    (
        packet(0x30, string("x") + bytes.fromhex("15 26000161000131 26000161000132 09000400010203")),
        Publish(
            "x",
            b"",
            0,
            False,
            False,
            None,
            {"user-property": (("a", "1"), ("a", "2")), "correlation-data": (b"\0\1\2\3",)},
        ),
    ),
    (bytes.fromhex("40020001"), Ack(Kind.PUBACK, 1)),
    (bytes.fromhex("4003000110"), Ack(Kind.PUBACK, 1, 0x10)),
    (bytes.fromhex("4008000187041f00016e"), Ack(Kind.PUBACK, 1, 0x87, {"reason-string": ("n",)})),
    (bytes.fromhex("e000"), Disconnect()),
    (bytes.fromhex("e00104"), Disconnect(4)),
    (bytes.fromhex("b00400080011"), Granted(Kind.UNSUBACK, 8, (0x11,))),
    (packet(0x82, b"\0\7\0" + string("x") + b"\x2d"), Subscribe(7, (Subscription("x", 1, 0x2D),))),
    (
        packet(
            0x10,
            string("MQTT")
            + bytes.fromhex("05 06 000f 05 11 0000001e")
            + string("north")
            # The will: its own properties, topic and message.
            + bytes.fromhex("05 18 00000002")
            + string("w")
            + string("o"),
        ),
        Connect(
            "MQTT",
            5,
            "north",
            True,
            15,
            Will("w", b"o", 0, False, {"will-delay-interval": (2,)}),
            None,
            None,
            {"session-expiry-interval": (30,)},
        ),
    ),
]


@pytest.mark.parametrize(("raw", "wanted"), VERSION_5)
def test_version_5_carries_properties(raw: bytes, wanted: object) -> None:
    assert decode(raw, V5) == wanted


@pytest.mark.parametrize(
    ("properties", "reason"),
    [
        ("02 7f 00", "no property 127"),
        ("04 01 00 01 01", "occurs twice"),
        ("03 02 00 00", "over the property length|within its message-expiry"),
        ("7f", "over the end"),
    ],
)
def test_version_5_properties_that_cannot_be(properties: str, reason: str) -> None:
    with pytest.raises(Malformed, match=reason):
        decode(packet(0x30, string("x") + bytes.fromhex(properties)), V5)


def test_the_limit_is_seen_before_the_bytes_are_collected() -> None:
    splitter = Splitter(100)
    splitter.feed(b"\x30" + encode_length(1_000_000))
    with pytest.raises(Malformed, match="longer than 100"):
        splitter.next_packet()


WILLS = [None, ("w/north", b"off", 1, True), ("w/n\u00f6rth", bytes(120), 1, True)]
LOGINS = [None, ("u", "p"), ("n\u00f6rth", "a password"), ("u", "p" * 90)]


@pytest.mark.parametrize("login", LOGINS, ids=str)
@pytest.mark.parametrize("will", WILLS, ids=lambda will: will and will[0])
@pytest.mark.parametrize("client_id", ["north", "n\u00f6rth"])
def test_the_virtual_bench_counts_a_connect_as_long_as_it_is_on_the_wire(
    client_id: str, will: tuple[str, bytes, int, bool] | None, login: tuple[str, str] | None
) -> None:
    """Name, will, user and password, each with its two bytes of length (MQTT 3.1.1 section 3.1.3)."""
    raw = connect(client_id, will=will, login=login)
    assert packet_size(decode(raw)) == len(raw)


@pytest.mark.parametrize("will", [b"", b"\0" + string("w") + string("off")], ids=["no will", "will"])
def test_the_virtual_bench_counts_the_empty_property_lists_of_version_5(will: bytes) -> None:
    """One in the header and one before the will's topic (v5 sections 3.1.2.11 and 3.1.3.2)."""
    header = string("MQTT") + bytes([5, 0xC2 | (0x04 if will else 0)]) + bytes.fromhex("000f 00")
    raw = packet(0x10, header + string("north") + will + string("user") + string("password"))
    assert packet_size(decode(raw, V5)) == len(raw)


def test_the_properties_of_version_5_are_those_of_a_library() -> None:
    """Outside check: paho-mqtt's table, of MQTT 5 section 2.2.2.2."""
    kinds = {
        "Byte": "byte", "Two Byte Integer": "two", "Four Byte Integer": "four", "Variable Byte Integer": "length",
        "Binary Data": "binary", "UTF-8 Encoded String": "string", "UTF-8 String Pair": "pair",
    }  # fmt: skip
    theirs = PahoProperties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    table = {
        identifier: (name.lower().replace(" ", "-"), kinds[theirs.types[theirs.properties[identifier][0]]])
        for name, identifier in theirs.names.items()
    }
    assert table == KINDS
