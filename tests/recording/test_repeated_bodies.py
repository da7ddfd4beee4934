"""What is said again with other counts is read by what was read before, and by nothing that it must not."""

from __future__ import annotations

import json
from typing import Any

import pytest

from protocol import repeated_bodies
from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.codec.shape import shape_of
from protocol.repeated_bodies import KEPT, RepeatedBodies, begins_with_counts
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_publication

CRANE: dict[str, Any] = {
    "boot": 4711, "seq": 17, "uptime": 123_456, "mark": 1_310_979, "job": 1_310_979, "job_state": "running",
    "held": False, "holds": 0, "mode": "working", "axes": [[480, 480, True], [180, 120, True], [0, 130, True]],
    "spreader": "closed", "load": "box",
}  # fmt: skip
TOPIC = "yw1/harlow-basin/north/crane-status"
ENDS = (0, 1, 23, 24, 255, 256, 65535, 65536, 2**24, 2**32 - 1)
OTHERWISE = [
    b'{"boot":0%d',
    b'{"boot":-%d',
    b'{"boot":%d.0',
    b'{ "boot":%d',
    b'{"boot": %d',
    b'{"boot":1%06d',
]
IN_LONGER_FORM = [
    "1800", "1817", "190000", "1900ff", "1a00000000", "1a0000ffff", "1b0000000000000001", "20", "f4", "e1", "f93c00",
    "6131", "c24101", "1a00010000",
]  # fmt: skip


def warm(encoding: Encoding) -> tuple[BulkReader, bytes]:
    """A reader that has seen the body more than once, and the payload."""
    reader = BulkReader()
    payload = encode("crane-status", CRANE, encoding)
    for _ in range(3):
        assert reader.read(TOPIC, payload).valid
    return reader, payload


def same(reader: BulkReader, payload: bytes) -> bool:
    long = read_publication(TOPIC, payload, retain=None, qos=None, short=False)
    assert reader.read(TOPIC, payload) == long, payload
    return long.valid


@pytest.mark.parametrize("encoding", Encoding)
def test_every_length_of_the_counts_is_read_as_the_long_way_reads_it(encoding: Encoding) -> None:
    reader, _ = warm(encoding)
    for boot in ENDS[:7]:
        for seq in ENDS[:7]:
            for uptime in ENDS:
                body = CRANE | {"boot": boot, "seq": seq, "uptime": uptime}
                assert same(reader, encode("crane-status", body, encoding))


def test_a_count_in_any_but_its_shortest_form_is_found_though_the_rest_is_known() -> None:
    reader, payload = warm(Encoding.CBOR)
    heads = {0: b"\x00\x19\x12\x67", 1: b"\x01\x11", 2: b"\x02\x1a\x00\x01\xe2\x40"}
    for key, head in heads.items():
        assert payload.count(head) == 1
        for form in IN_LONGER_FORM:
            bent = payload.replace(head, bytes([key]) + bytes.fromhex(form))
            assert same(reader, bent) == (key == 2 and form == "1a00010000"), form


@pytest.mark.parametrize("form", OTHERWISE)
def test_a_number_that_is_not_written_as_it_has_to_be_is_found_in_json(form: bytes) -> None:
    reader, payload = warm(Encoding.JSON)
    assert not same(reader, payload.replace(b'{"boot":4711', form % 4711))


@pytest.mark.parametrize(
    "change", [b'"uptime":4294967296', b'"uptime":99999999999', b'"uptime":1,"uptime":123456', b'"uptime":1 ']
)
def test_an_uptime_that_is_none_is_found_in_json(change: bytes) -> None:
    reader, payload = warm(Encoding.JSON)
    assert not same(reader, payload.replace(b'"uptime":123456', change))


def test_the_same_rest_behind_another_first_byte_is_no_message() -> None:
    reader, payload = warm(Encoding.CBOR)
    for first in range(256):
        assert same(reader, bytes([first]) + payload[1:]) == (first == payload[0])


def test_the_same_rest_on_a_topic_of_another_message_is_judged_by_that_one() -> None:
    reader, payload = warm(Encoding.CBOR)
    assert not reader.read("yw1/harlow-basin/north/fault", payload).valid
    assert reader.read("yw1/harlow-basin/south/crane-status", payload).valid
    long_topic = "yw1/" + "a" * 200 + "/north/crane-status"
    assert reader.read(long_topic, payload) == read_publication(long_topic, payload, retain=None, qos=None)


def test_who_changes_a_body_changes_nobody_elses() -> None:
    reader, payload = warm(Encoding.CBOR)
    first = reader.read(TOPIC, payload).body
    assert first == CRANE
    first["axes"][0][0] = 1
    first["mode"] = "changed"
    assert reader.read(TOPIC, payload).body == CRANE


def test_what_is_said_again_is_read_from_memory_and_memory_ends() -> None:
    known = RepeatedBodies()
    payload = encode("crane-status", CRANE, Encoding.CBOR)
    taken = []
    for _ in range(3):
        taken.append(known.read(payload) is not None)
        known.keep(payload, CRANE)
    assert taken == [False, False, True]
    for number in range(KEPT + 1):
        other = encode("crane-status", CRANE | {"mark": number}, Encoding.CBOR)
        assert known.read(other) is None
        known.keep(other, CRANE)
    assert known.read(payload) is None


def test_messages_that_begin_with_the_counts_are_all_but_an_order() -> None:
    """An order has none; of every other one no rule of the schema joins the three with another field."""
    found = {message for message in specification().messages if begins_with_counts(message)}
    assert found == set(specification().messages) - {"job-order"}
    assert all(
        shape_of(message).names[key] == name
        for message in found
        for key, name in enumerate(("boot", "seq", "uptime"))
    )


def test_what_is_remembered_ends_with_so_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repeated_bodies, "KEPT", 2)
    known = RepeatedBodies()
    payloads = [encode("crane-status", CRANE | {"mark": mark}, Encoding.CBOR) for mark in range(3)]

    def taken(number: int) -> bool:
        found = known.read(payloads[number])
        known.keep(payloads[number], CRANE | {"mark": number})
        return found is not None

    assert [taken(number) for number in (0, 1, 0, 1, 0, 1)] == [False] * 4 + [True] * 2
    assert [taken(number) for number in (2, 0, 0, 0)] == [False, False, False, True], (
        "it began again with none"
    )


def test_a_body_that_was_never_asked_for_is_not_kept() -> None:
    known = RepeatedBodies()
    payload = encode("crane-status", CRANE, Encoding.CBOR)
    for _ in range(2):
        known.read(payload)
        known.read(b"\xa0")
        known.keep(payload, CRANE)
    assert known.read(payload) is None


@pytest.mark.parametrize("encoding", Encoding)
@pytest.mark.parametrize("field", ["boot", "seq", "uptime"])
def test_a_count_is_bounded_where_the_rest_is_known(field: str, encoding: Encoding) -> None:
    """MSG-06 to MSG-08: 16, 16 and 32 bits."""
    most = 2**32 - 1 if field == "uptime" else 2**16 - 1
    known = RepeatedBodies()
    payload = encode("crane-status", CRANE, encoding)
    for _ in range(2):
        known.read(payload)
        known.keep(payload, CRANE)
    for value, read in ((0, True), (most, True), (most + 1, False), (10**9, field == "uptime")):
        body = CRANE | {field: value}
        assert known.read(encode("crane-status", body, encoding)) == (body if read else None)


def test_nobody_changes_the_body_of_another_however_deep() -> None:
    """Lists and maps inside each other are copied too."""
    known, payload = RepeatedBodies(), b'{"boot":1,"seq":2,"uptime":3}'
    body: dict[str, Any] = {
        "boot": 1,
        "seq": 2,
        "uptime": 3,
        "a": [1, [2], {"b": [3]}],
        "c": {"d": {"e": 4}},
        "f": "x",
    }
    wanted = json.loads(json.dumps(body))
    for _ in range(2):
        assert known.read(payload) is None
        known.keep(payload, body)
    body["a"][1][0] = body["c"]["d"]["e"] = 9
    for _ in range(2):
        found: Any = known.read(payload)
        assert found == wanted
        found["a"][2]["b"][0] = found["a"][1][0] = found["c"]["d"]["e"] = 9
    assert known.read(b'{"boot":9,"seq":8,"uptime":7}') == wanted | {"boot": 9, "seq": 8, "uptime": 7}


COUNTED = dict(specification().messages["fault"])


def bent(**changes: Any) -> dict[str, Any]:
    """The schema of a fault with other bounds of a count, or something else beside its properties."""
    properties = {name: dict(part) for name, part in COUNTED["properties"].items()}
    for name in ("boot", "seq", "uptime"):
        properties[name] |= changes.pop(name, {})
    return {**COUNTED, "properties": properties, **changes}


@pytest.mark.parametrize(
    ("schema", "fit"),
    [
        (bent(), True),
        (bent(boot={"cborKey": 1}), False),
        (bent(uptime={"cborKey": 3}), False),
        (bent(**{"if": {"properties": {"seq": {"const": 1}}}}), False),
        (bent(allOf=[{"then": {"properties": {"boot": {"const": 1}}}}]), False),
        (bent(allOf=[{"properties": {"faults": {"const": 1}}}, {"not": {"properties": {"uptime": {}}}}]), False),
        (bent(allOf=[{"properties": {"faults": {"const": 1}}}]), True),
        (bent(examples=[{"properties": {"boot": 1}}]), True),
        ({**COUNTED, "properties": {n: p for n, p in COUNTED["properties"].items() if n != "seq"}}, False),
    ],
)  # fmt: skip
def test_counts_are_looked_at_alone_only_where_nothing_joins_them_with_the_rest(
    schema: dict[str, Any], fit: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(specification().messages, "fault", schema)
    assert begins_with_counts.__wrapped__("fault") is fit
