"""The short ways of reading take all that is beyond doubt, and nothing else; only the rest goes the long way."""

from __future__ import annotations

from typing import Any, NoReturn

import cbor2
import pytest

from protocol import bulk_reading, short_way
from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.codec.shape import shape_for
from protocol.codec.words import to_numbers
from protocol.short_way import Doubt, quick_body, to_words
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import UNEXPLAINED, read_message, read_publication, readable_body
from tests.protocol.vectors import valid_vectors, vectors

MOST = 1024
KNOWN = [vector for vector in vectors() if vector.fields.get("message") in specification().messages]
ROOT = specification().root
CRANE: dict[str, Any] = {
    "boot": 4711, "seq": 17, "uptime": 123_456, "mark": 1_310_979, "held": False, "holds": 0, "mode": "working",
    "axes": [[480, -480, True], [180, 120, True]], "spreader": "closed", "load": "box",
}  # fmt: skip
STATUS: dict[str, Any] = {
    "boot": 1, "seq": 2, "uptime": 3, "mark": 4, "state": "on", "link": 1, "roles": ["crane", "berth"],
    "firmware": "1.0", "minor": 1, "reads": "both", "reset": "power-on", "bench": False, "digest": 5, "buffer": 512,
}  # fmt: skip


def topic_of(message: str) -> str:
    return f"{ROOT}/basin/north/{message}{'/siding' * (message == 'yard-map')}"


def never(*_: object, **__: object) -> NoReturn:
    raise AssertionError("looked at closely")


def cbor(message: str, body: dict[str, Any]) -> dict[int, Any]:
    """Keys and integers of a body."""
    return dict(sorted(to_numbers(message, body).items()))


# ---------------------------------------------------------------- one message
def test_the_short_way_takes_what_is_valid_and_written_without_an_escape() -> None:
    taken = set()
    for vector in KNOWN:
        quick = quick_body(vector.message, vector.payload, MOST)
        long = read_message(vector.message, vector.payload, closed=True, short=False)
        assert (quick is not None) == (long.valid and b"\\" not in vector.payload), str(vector)
        if quick is not None:
            assert quick == (long.body, long.encoding)
            taken.add((vector.message, long.encoding))
    assert len(taken) == 2 * len(specification().messages)


@pytest.mark.parametrize("number", [0, 1, 23, 24, 255, 256, 65_535, 65_536, 2**32 - 1])
def test_every_width_of_an_integer_goes_the_short_way(number: int) -> None:
    for body in (CRANE | {"mark": number}, CRANE | {"uptime": number}, CRANE | {"boot": min(number, 65_535)}):
        for encoding in Encoding:
            assert quick_body("crane-status", encode("crane-status", body, encoding), MOST) == (
                body,
                encoding,
            )


@pytest.mark.parametrize("number", [-32_768, -257, -256, -25, -24, -1, 0, 23, 24, 255, 256, 32_767])
def test_every_width_of_an_integer_in_an_array_goes_the_short_way(number: int) -> None:
    body = CRANE | {"axes": [[number, 0, True]]}
    assert quick_body("crane-status", encode("crane-status", body, Encoding.CBOR), MOST) == (
        body,
        Encoding.CBOR,
    )


STIMULUS = {"act": "stimulus", "boot": 1, "id": 2, "inputs": [["end", True, 1]]}
WITH_WORDS: dict[str, tuple[str, dict[str, Any], Any]] = {
    "mode": ("crane-status", CRANE, lambda wrong: wrong),
    "roles": ("node-status", STATUS, lambda wrong: [0, wrong]),
    "act": ("job-order", STIMULUS, lambda wrong: wrong),
    "inputs": ("job-order", STIMULUS, lambda wrong: [[wrong, True, 1]]),
}
"""Fields that hold words: message, a valid body, and the field's value with something else for a word."""


@pytest.mark.parametrize("wrong", [-1, -2, 18, 200, True, "box", 1.0, None, [1], b"\x01", {1: 1}], ids=repr)
@pytest.mark.parametrize("field", WITH_WORDS)
def test_what_is_no_word_is_left_to_the_long_way(field: str, wrong: object) -> None:
    message, body, around = WITH_WORDS[field]
    numbers, key = cbor(message, body), shape_for(message, body.get("act")).keys[field]
    good = specification().words("act").index("stimulus") if field == "act" else 1
    for word, taken in ((good, True), (wrong, False)):
        payload = cbor2.dumps(numbers | {key: around(word)})
        assert (quick_body(message, payload, MOST) is not None) is taken
        assert (BulkReader().decode(topic_of(message), payload) is not None) is taken


@pytest.mark.parametrize(
    "payload",
    [
        b'{"act":"ask"}',
        b'{"act":[],"token":1}',
        b'{"act":7,"token":1}',
        b'{"token":1}',
        b'{"act":"fly","token":1}',
        b'{"act":"ask","token":1} ',
        b'{"act":"ask","token":1}x',
        b'{"act":"ask","token":1}{}',
        b'{"act":"ask","token":1',
        b'{"act":"ask","token":\xff}',
        b'{"act":"ask","token":1.0}',
        b'{"act":"ask","token":1e0}',
        b'{"act":"ask","token":NaN}',
        b'{"act":"ask","token":-Infinity}',
        b'{"act":"ask","token":' + b"9" * 5000 + b"}",
        b'{"act":"ask","token":' + b"[" * 100_000,
        b'{"act":"ask","act":"ask","token":1}',
        b'{"act":"ask","token":{"act":1}}',
        b'{ "act":"ask","token":1}',
        b'{"act":\t"ask","token":1}',
        b'{"act":"ask",\n"token":1}',
        b'{"act":"ask","token":1\r}',
        b'{"\\u0061ct":"ask","token":1}',
        b"[]",
        b"\x9f\xff",
        b"\xa0",
        b"\xa1\x02\x00",
        b"\xa1\x10\x01",
        b"\xa2\x02\x00\x10",
        b"\xa2\x02\x00\x10\x01\x00",
        b"\xa2\x02\x00\x11\x01",
        b"\xa2\x02\x18\x00\x10\x01",
        b"\xa2\x02\x00\x18\x10\x01",
        b"\xa2\x02\x00\x10\x18\x01",
        b"\xa2\x10\x01\x02\x00",
        b"\xa3\x02\x00\x10\x01\x10\x01",
        b"\xa2\x02\x00\x80\x01",
        b"\xa2\x02\x00\xa0\x01",
        b"\xa2\x02\x00\x10\xc2\x41\x01",
        b"\xa2\x02\x00\x10\xf6",
        b"\xa2\x02\x00\x10\x41\x01",
        b"\xb8\x02\x02\x00\x10\x01",
        b"\xbf\x02\x00\x10\x01\xff",
        b"\x1c",
    ],
)
def test_what_is_not_beyond_doubt_is_left_to_the_long_way(payload: bytes) -> None:
    """RFC 8259 and RFC 8949; an ask is `{"act":"ask","token":1}` or a2 02 00 10 01."""
    assert quick_body("job-order", b'{"act":"ask","token":1}', MOST) == (
        {"act": "ask", "token": 1},
        Encoding.JSON,
    )
    assert quick_body("job-order", b"\xa2\x02\x00\x10\x01", MOST) == (
        {"act": "ask", "token": 1},
        Encoding.CBOR,
    )
    assert quick_body("job-order", payload, 1 << 20) is None


@pytest.mark.parametrize("payload", [b"{}", b"{", b"\xa0", b"\xa1", b"\xa1\x02\x00"])
def test_an_unknown_message_is_the_callers_mistake(payload: bytes) -> None:
    with pytest.raises((KeyError, ValueError, cbor2.CBORError)):
        quick_body("job-odrer", payload, MOST)


def test_so_many_orders_of_keys_are_remembered_and_the_others_read_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(short_way, "_ORDERS", seen := set[Any]())
    monkeypatch.setattr(short_way, "_ORDERS_KEPT", 2)
    payloads = [encode(one.message, one.body or {}, Encoding.CBOR) for one in valid_vectors()[:40]]
    for _ in range(2):
        assert all(
            quick_body(one.message, p, MOST) for one, p in zip(valid_vectors(), payloads, strict=False)
        )
        assert len(seen) == 2


# ---------------------------------------------------------------- many messages
def test_a_bulk_reader_asks_the_long_way_for_nothing_that_is_beyond_doubt(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bulk_reading, "read_publication", never)
    monkeypatch.setattr(bulk_reading, "readable_body", never)
    reader, read = BulkReader(), 0
    for vector in valid_vectors():
        if b"\\" in vector.payload or (vector.message == "job-order" and vector.body == {"act": "hold"}):
            continue
        topic = topic_of(vector.message)
        for _ in range(3):
            reading = reader.read(topic, vector.payload)
            assert (reading.body, reading.findings) == (vector.body, ())
            assert reading.encoding is (Encoding.JSON if vector.payload[:1] == b"{" else Encoding.CBOR)
            assert reader.decode(topic, vector.payload) == vector.body
            read += 1
    assert read > 200


def test_who_only_decodes_is_given_words_for_what_is_sound() -> None:
    for vector in valid_vectors():
        if vector.payload[:1] != b"{":
            assert to_words(vector.message, cbor2.loads(vector.payload)) == vector.body
    for wrong in ({2: 0, 99: 1}, {2: 99, 16: 1}, {16: 1}):
        with pytest.raises(LookupError):
            to_words("job-order", wrong)
    for wrong in ({2: -1, 16: 1}, {2: True, 16: 1}):
        with pytest.raises(Doubt):
            to_words("job-order", wrong)
    with pytest.raises(Doubt):
        to_words("node-status", {11: {0: 1}})


@pytest.mark.parametrize("vector", [one for one in KNOWN if not one.valid], ids=str)
def test_a_bulk_reader_decodes_what_a_tolerant_receiver_reads(vector: Any) -> None:
    payload, message = vector.payload, vector.message
    expected = read_message(message, payload, closed=False, short=False).body
    for _ in range(2):
        assert BulkReader().decode(topic_of(message), payload) == readable_body(message, payload) == expected


@pytest.mark.parametrize(
    "more",
    [{23: 5}, {"x": 1}, {True: 1}, {0: True}, {0: 7.0}, {0: 1.5}, {11: 1.0}, {11: "x"}, {0: None}, {0: -1}],
)
@pytest.mark.parametrize("bits", ["double", "half"])
def test_a_bent_message_is_decoded_as_the_long_way_does(more: dict[Any, Any], bits: str) -> None:
    numbers = cbor("crane-status", CRANE)
    payload = cbor2.dumps(numbers | more, canonical=bits == "half")
    topic = topic_of("crane-status")
    expected = read_publication(topic, payload, retain=None, qos=None, closed=False, short=False).body
    assert BulkReader().decode(topic, payload) == expected
    assert BulkReader().read(topic, payload) == read_publication(
        topic, payload, retain=None, qos=None, short=False
    )


def test_a_map_in_place_of_a_list_is_none() -> None:
    """To Python the keys of a map would be its entries."""
    numbers = cbor("node-status", STATUS)
    (key,) = to_numbers("node-status", {"roles": ()})
    for wrong in ({0: 1, 1: 1}, "\x00\x01", b"\x00\x01", {}, 0):
        payload = cbor2.dumps(numbers | {key: wrong})
        assert BulkReader().decode(topic_of("node-status"), payload) is None
        assert not BulkReader().read(topic_of("node-status"), payload).valid


def test_a_payload_of_the_most_bytes_is_read_and_one_byte_more_is_not() -> None:
    """ENC-07: 1024 bytes; what a receiver does not know it overlooks [ENC-09]."""
    for size, read in ((MOST, True), (MOST + 1, False)):
        bare = cbor2.dumps(cbor("crane-status", CRANE) | {23: ""})
        payload = cbor2.dumps(cbor("crane-status", CRANE) | {23: "x" * (size - len(bare) - 2)})
        assert len(payload) == size
        assert BulkReader().decode(topic_of("crane-status"), payload) == (CRANE if read else None)
        assert BulkReader().read(topic_of("crane-status"), payload).readable is read
    assert BulkReader().decode(topic_of("crane-status"), b"") is None


def test_what_is_on_no_topic_is_not_read() -> None:
    reader = BulkReader()
    payload = encode("crane-status", CRANE, Encoding.CBOR)
    assert reader.topic("yw1/a/b/c") is None
    assert reader.decode("yw1/a/b/c", payload) is None
    assert [one.requirement for one in reader.read("yw1/a/b/c", payload).findings] == ["ENC-13"]
    topic = reader.topic(topic_of("crane-status"))
    assert topic is not None
    assert (topic.site, topic.node, topic.message, topic.place) == ("basin", "north", "crane-status", "")


@pytest.mark.parametrize("encoding", Encoding)
def test_to_all_goes_a_hold_alone(encoding: Encoding) -> None:
    reader, everyone = BulkReader(), f"{ROOT}/basin/{specification().everyone}/job-order"
    for body, found in (({"act": "ask", "token": 1}, ["HLD-06"]), ({"act": "hold"}, [])):
        payload = encode("job-order", body, encoding)
        assert [one.requirement for one in reader.read(everyone, payload).findings] == found
        assert reader.decode(everyone, payload) == body
        assert reader.read(topic_of("job-order"), payload).valid


@pytest.mark.parametrize(("explained", "told"), [(None, 4), (0, 0), (1, 1), (3, 3)])
def test_so_many_messages_are_explained(explained: int | None, told: int) -> None:
    reader, good = BulkReader(explained), b'{"act":"ask","token":1}'
    found = []
    for payload in (
        b'{"act":"ask"}',
        good,
        b'{"act":"claim"}',
        b'{"act":"ask","token":-1}',
        b'{"act":"hop"}',
    ):
        explains = reader.explains
        reading = reader.read(topic_of("job-order"), payload)
        assert reading.valid is (payload == good)
        if not reading.valid:
            found.append(all(one.fix != UNEXPLAINED for one in reading.findings))
            assert found[-1] is explains
    assert sum(found) == told


def test_topics_are_remembered_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bulk_reading, "TOPICS_KEPT", 3)
    reader, sizes = BulkReader(), []
    for number in range(7):
        assert reader.topic(f"{ROOT}/basin/n{number}/fault") is not None
        assert reader.topic(f"{ROOT}/basin/n{number}/fault") is not None
        sizes.append(len(reader._ways))
    assert sizes == [1, 2, 3, 1, 2, 3, 1]
