"""At which byte a packet breaks and what is said of it: the very places of the standard's figures, at both sides."""

from __future__ import annotations

import pytest

from conformance.bench.mqtt.framing import (
    MAX_REMAINING_LENGTH,
    Cursor,
    Malformed,
    Splitter,
    binary,
    encode_length,
    packet,
    string,
)
from conformance.bench.mqtt.packets import V5, decode, decode_or_explain
from protocol.wire.packet import (
    Ack,
    Auth,
    Connack,
    Connect,
    Disconnect,
    Granted,
    Kind,
    Publish,
    Subscribe,
    Subscription,
    Unreadable,
    Unsubscribe,
    Will,
)

HEADER = string("MQTT")


def connecting(level: int, flags: int, rest: bytes = b"\0\0" + string("a")) -> bytes:
    return packet(0x10, HEADER + bytes([level, flags]) + rest)


BROKEN: list[tuple[bytes, int, str, int]] = [
    (b"", 4, "this is not exactly one packet", 0),
    (b"\xc0", 4, "this is not exactly one packet", 1),
    (b"\xc0\x01", 4, "this is not exactly one packet", 2),
    (b"\xc0\x00\x00", 4, "this is not exactly one packet", 3),
    (b"\xc0\x80\x80\x80\x80\x00", 4, "the length does not end within four bytes", 4),
    (b"\x00\x00", 4, "packet type 0 is reserved", 0),
    (b"\xf0\x00", 4, "packet type 15 is reserved", 0),
    (b"\xc1\x00", 4, "the flags of a PINGREQ are 1", 0),
    (b"\x60\x02\x00\x01", 4, "the flags of a PUBREL are 0", 0),
    (b"\xa0\x05\x00\x01\x00\x01x", 4, "the flags of a UNSUBSCRIBE are 0", 0),
    (b"\xc0\x01\x00", 4, "1 bytes too many behind the PINGREQ", 2),
    (b"\xe0\x02\x00\x00", 4, "2 bytes too many behind the DISCONNECT", 2),
    (b"\x40\x03\x00\x01\x00", 4, "1 bytes too many behind the PUBACK", 4),
    (b"\x40\x01\x00", 4, "the packet ends within its packet id", 3),
    (b"\x40\x02\x00\x00", 4, "the packet id is 0", 2),
    (b"\x20\x00", 4, "the packet ends within its acknowledge flags", 2),
    (b"\x20\x01\x00", 4, "the packet ends within its return code", 3),
    (connecting(4, 3), 4, "the reserved connect flag is set", 9),
    (connecting(4, 0x0A), 4, "will QoS or retain without a will", 9),
    (connecting(4, 0x22), 4, "will QoS or retain without a will", 9),
    (connecting(4, 0x1E), 4, "the will QoS is 3", 9),
    (connecting(4, 2, b"\0"), 4, "the packet ends within its keep-alive", 11),
    (connecting(4, 2, b"\0\0"), 4, "the packet ends within its length of the client id", 12),
    (connecting(4, 6), 4, "the packet ends within its length of the will topic", 15),
    (
        connecting(4, 6, b"\0\0" + string("a") + string("w")),
        4,
        "the packet ends within its length of the will message",
        18,
    ),
    (connecting(4, 0x82), 4, "the packet ends within its length of the user name", 15),
    (connecting(4, 0x42), 4, "the packet ends within its length of the password", 15),
    (packet(0x10, b"\0\5MQT"), 4, "the packet ends within its protocol name", 7),
    (packet(0x10, HEADER), 4, "the packet ends within its protocol level", 8),
    (packet(0x10, HEADER + b"\4"), 4, "the packet ends within its connect flags", 9),
    (packet(0x36, string("x") + b"\0\1"), 4, "the QoS is 3", 0),
    (packet(0x30, b"\0\5x"), 4, "the packet ends within its topic", 5),
    (packet(0x30, b"\0\3a\xc3\x28"), 4, "the topic is not UTF-8", 5),
    (packet(0x30, b"\0\4ab\0d"), 4, "the topic holds U+0000", 6),
    (packet(0x82, b"\0\1"), 4, "a SUBSCRIBE without a topic filter", 4),
    (packet(0xA2, b"\0\1"), 4, "an UNSUBSCRIBE without a topic filter", 4),
    (packet(0x82, b"\0\1" + string("x")), 4, "the packet ends within its requested QoS", 7),
    (packet(0x82, b"\0\1" + string("x") + b"\3"), 4, "the requested QoS is 3", 7),
    (packet(0x82, b"\0\1" + string("x") + b"\4"), 4, "the requested QoS is 4", 7),
    (packet(0x82, b"\0\1\0" + string("x") + b"\7"), 5, "the requested QoS is 7", 8),
    (packet(0x30, string("x") + b"\2\x7f\0"), 5, "there is no property 127", 6),
    (packet(0x30, string("x") + b"\4\1\0\1\1"), 5, "the property payload-format-indicator occurs twice", 8),
    (packet(0x30, string("x") + b"\3\2\0\0\0\0"), 5, "the last property runs over the property length", 9),
    (packet(0x30, string("x") + b"\3\2\0\0"), 5, "the packet ends within its message-expiry-interval", 9),
    (packet(0x30, string("x") + b"\1"), 5, "the properties run over the end of the packet", 6),
    (packet(0x30, string("x")), 5, "the packet ends within its property length", 5),
    (packet(0x30, string("x") + b"\1\x80"), 5, "the packet ends within its property identifier", 7),
    (packet(0x30, string("x") + b"\2\x0b\x80"), 5, "the packet ends within its subscription-identifier", 8),
    (
        packet(0x30, string("x") + b"\3\x26\0\0"),
        5,
        "the packet ends within its length of the user-property",
        9,
    ),
]


@pytest.mark.parametrize(("raw", "version", "what", "at"), BROKEN)
def test_where_it_breaks_is_told(raw: bytes, version: int, what: str, at: int) -> None:
    with pytest.raises(Malformed) as caught:
        decode(raw, version)
    assert (caught.value.what, caught.value.at) == (what, at)
    told = f"{what} (byte {at} of the packet)"
    assert str(caught.value) == told
    assert decode_or_explain(raw, version) == Unreadable(told)


WHOLE: list[tuple[bytes, int, object]] = [
    (connecting(4, 0, b"\xff\xfe" + string("")), 4, Connect("MQTT", 4, "", False, 65_534, None, None, None)),
    (connecting(4, 0x0C, b"\0\1" + string("a") + string("w") + binary(b"")), 4,
     Connect("MQTT", 4, "a", False, 1, Will("w", b"", 1, False), None, None)),
    (connecting(4, 0x34, b"\0\1" + string("a") + string("w") + binary(b"\0")), 4,
     Connect("MQTT", 4, "a", False, 1, Will("w", b"\0", 2, True), None, None)),
    (connecting(4, 0x82, b"\0\1" + string("a") + string("u")), 4, Connect("MQTT", 4, "a", True, 1, None, "u", None)),
    (connecting(4, 0x42, b"\0\1" + string("a") + binary(b"\xff" * 3)), 4,
     Connect("MQTT", 4, "a", True, 1, None, None, 3)),
    (b"\x20\x02\x02\x05", 4, Connack(False, 5)),
    (b"\x20\x02\x03\x00", 4, Connack(True, 0)),
    (b"\x20\x02\x00\x01", 5, Connack(False, 1)),
    (b"\x20\x03\x01\x00\x00", 5, Connack(True, 0)),
    (packet(0x3D, string("x") + b"\0\1"), 4, Publish("x", b"", 2, True, True, 1)),
    (packet(0x32, string("x") + b"\1\0y"), 4, Publish("x", b"y", 1, False, False, 256)),
    (packet(0x38, string("")), 4, Publish("", b"", 0, False, True, None)),
    (packet(0x82, b"\0\1" + string("x") + b"\2" + string("y") + b"\0"), 4,
     Subscribe(1, (Subscription("x", 2, 2), Subscription("y", 0, 0)))),
    (packet(0x82, b"\0\1\0" + string("x") + b"\x0e"), 5, Subscribe(1, (Subscription("x", 2, 14),))),
    (packet(0xA2, b"\0\1" + string("x") + string("y")), 4, Unsubscribe(1, ("x", "y"))),
    (packet(0x90, b"\0\1\2\x80"), 4, Granted(Kind.SUBACK, 1, (2, 128))),
    (packet(0x90, b"\0\1\0\2"), 5, Granted(Kind.SUBACK, 1, (2,))),
    (packet(0xB0, b"\0\1\0\x11"), 5, Granted(Kind.UNSUBACK, 1, (17,))),
    (b"\x62\x02\xff\xff", 4, Ack(Kind.PUBREL, 65_535)),
    (b"\x70\x02\x00\x01", 5, Ack(Kind.PUBCOMP, 1)),
    (b"\x50\x03\x00\x01\x92", 5, Ack(Kind.PUBREC, 1, 0x92)),
    (b"\xe0\x01\x81", 5, Disconnect(0x81)),
    (b"\xf0\x00", 5, Auth(0)),
    (b"\xf0\x02\x18\x00", 5, Auth(0x18)),
]  # fmt: skip


@pytest.mark.parametrize(("raw", "version", "wanted"), WHOLE)
def test_what_is_just_whole_is_read(raw: bytes, version: int, wanted: object) -> None:
    assert decode(raw, version) == wanted


def test_of_the_property_kinds_each_is_read_whole() -> None:
    """MQTT 5 section 1.5: one and two bytes, four, a length, bytes, text, and a pair of texts."""
    each = bytes.fromhex(
        "24 01 21 0102 27 01020304 0b 8001 09 0002ff00 1f 00016e 26 00016b 000176 26 00016b 0000 0b 05"
    )
    read = decode(packet(0x30, string("x") + encode_length(len(each)) + each + b"body"), V5)
    assert isinstance(read, Publish)
    assert read.payload == b"body"
    assert read.properties == {
        "maximum-qos": (1,), "receive-maximum": (258,), "maximum-packet-size": (0x01020304,),
        "subscription-identifier": (128, 5), "correlation-data": (b"\xff\0",), "reason-string": ("n",),
        "user-property": (("k", "v"), ("k", "")),
    }  # fmt: skip


@pytest.mark.parametrize(("limit", "fits"), [(6, False), (7, True), (8, True)])
def test_the_limit_of_a_splitter_is_of_the_whole_packet(limit: int, fits: bool) -> None:
    raw = packet(0x30, bytes(5))
    splitter = Splitter(limit)
    splitter.feed(raw + b"\xc0")
    if fits:
        assert (splitter.next_packet(), splitter.rest) == (raw, b"\xc0")
        assert splitter.next_packet() is None
        return
    with pytest.raises(Malformed) as caught:
        splitter.next_packet()
    assert (caught.value.what, caught.value.at) == ("a packet of 7 bytes is longer than 6", 1)
    assert splitter.rest == raw + b"\xc0"


def test_a_splitter_without_a_limit_takes_what_four_bytes_can_say() -> None:
    splitter = Splitter()
    splitter.feed(b"\x30" + encode_length(MAX_REMAINING_LENGTH - 5))
    assert splitter.next_packet() is None
    splitter = Splitter()
    splitter.feed(b"\x30" + encode_length(MAX_REMAINING_LENGTH - 4))
    with pytest.raises(Malformed, match="268435456 bytes is longer than 268435455"):
        splitter.next_packet()


def test_a_cursor_stops_at_the_end() -> None:
    cursor = Cursor(b"\1\2\3\0\1x", 0)
    assert (cursor.byte("a"), cursor.done, cursor.word("b"), cursor.at) == (1, False, 0x0203, 3)
    assert (cursor.string("c"), cursor.done, cursor.rest()) == ("x", True, b"")
    with pytest.raises(Malformed, match=r"ends within its d \(byte 6"):
        cursor.byte("d")
    assert cursor.at == 6
    assert Cursor(b"ab", 1).rest() == b"b"
    assert Cursor(b"", 0).done
