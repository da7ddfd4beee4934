"""Packets of MQTT 3.1.1, as far as a node sends them."""

CONNACK, PUBLISH, PUBACK, SUBACK, PINGRESP = 2, 3, 4, 9, 13
PINGREQ = b"\xc0\x00"
DISCONNECT = b"\xe0\x00"


def text(content) -> bytes:
    """A text or a payload with its length in front (section 1.5.3)."""
    raw = content.encode() if isinstance(content, str) else content
    return len(raw).to_bytes(2, "big") + raw


def packet(first: int, content: bytes) -> bytes:
    """A whole packet: the length takes seven bits a byte (section 2.2.3)."""
    head, left = bytearray((first,)), len(content)
    while True:
        more = left > 0x7F
        head.append(left & 0x7F | (0x80 if more else 0))
        left >>= 7
        if not more:
            return bytes(head) + content


def connect(client: str, keep_alive_s: int, will: tuple, user: str, password: str) -> bytes:
    """CONNECT with a clean session and a retained will, which is (topic, payload, QoS) [LNK-01, LNK-04]."""
    topic, payload, qos = will
    flags = 0x02 | 0x04 | qos << 3 | 0x20 | (0x80 if user else 0) | (0x40 if password else 0)
    content = (
        text("MQTT")
        + bytes((4, flags))
        + keep_alive_s.to_bytes(2, "big")
        + text(client)
        + text(topic)
        + text(payload)
    )
    content += (text(user) if user else b"") + (text(password) if password else b"")
    return packet(0x10, content)


def subscribe(number: int, topics: tuple) -> bytes:
    """SUBSCRIBE at QoS 1 [LNK-06]."""
    return packet(0x82, number.to_bytes(2, "big") + b"".join([text(topic) + b"\x01" for topic in topics]))


def publish(topic: str, payload: bytes, qos: int, retain: bool, number: int) -> bytes:
    """PUBLISH at QoS 0 or 1."""
    middle = number.to_bytes(2, "big") if qos else b""
    return packet(0x30 | qos << 1 | (1 if retain else 0), text(topic) + middle + payload)


def puback(number: bytes) -> bytes:
    """PUBACK for a packet identifier as it came."""
    return b"\x40\x02" + number
