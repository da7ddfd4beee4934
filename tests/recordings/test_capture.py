"""Cutting packets out of a stream: the same as the decoder that takes its time, however the stream is cut."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conformance.bench.mqtt.framing import packet, string
from conformance.bench.mqtt.packets import decode
from conformance.recordings.record.capture import ConnectionLost, PublishSplitter
from protocol.recording import RecordedMessage
from protocol.wire.packet import Publish

topics = st.sampled_from(["yw1/basin/north/fault", "yw1/basin/yard/yard-map/stack", "x", "yw1/é/n/m", ""])
flags = st.sampled_from([0x30, 0x31, 0x32, 0x33, 0x3A, 0x3B])
others = st.sampled_from([b"\xd0\x00", b"\x90\x03\x00\x01\x01", b"\x40\x02\x00\x07"])


@st.composite
def packets(draw: st.DrawFn) -> bytes:
    if draw(st.integers(0, 4)) == 0:
        return draw(others)
    first, topic = draw(flags), draw(topics)
    payload = draw(st.binary(max_size=draw(st.sampled_from([3, 300, 20_000]))))
    packet_id = draw(st.integers(1, 65535)).to_bytes(2, "big") if first & 6 else b""
    return packet(first, string(topic) + packet_id + payload)


@given(st.lists(packets(), max_size=12), st.lists(st.integers(1, 400), min_size=1, max_size=30))
def test_every_publish_comes_out_as_the_standard_reads_it(stream: list[bytes], cuts: list[int]) -> None:
    got: list[RecordedMessage] = []
    splitter = PublishSplitter(got.append)
    data, at = b"".join(stream), 0
    for number, size in enumerate(cuts * 400):
        if at >= len(data):
            break
        splitter.feed(data[at : at + size], number)
        at += size
    splitter.feed(data[at:], 10**6)
    read = [decode(raw) for raw in stream]
    wanted = [one for one in read if isinstance(one, Publish)]
    assert [(m.topic, m.payload, m.qos, m.retain, m.dup) for m in got] == [
        (p.topic, p.payload, p.qos, p.retain, p.dup) for p in wanted
    ]
    ids = [one.packet_id for one in wanted if one.packet_id is not None]
    assert bytes(splitter.acknowledgements) == b"".join(b"\x40\x02" + id_.to_bytes(2, "big") for id_ in ids)


@pytest.mark.parametrize("broken", [b"\x30\x01\x00", b"\x30\x03\x00\x09a", b"\x32\x03\x00\x01a"])
def test_a_publish_that_is_cut_short_is_no_message(broken: bytes) -> None:
    with pytest.raises(ConnectionLost):
        PublishSplitter(lambda _: pytest.fail("a message")).feed(broken, 0)
