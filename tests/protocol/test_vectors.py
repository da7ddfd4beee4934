"""Every vector: whole, cut short, with a tail, and by second implementations of CBOR and JSON Schema."""

from __future__ import annotations

import json
from typing import Any

import cbor2
import pytest
from cbor_diag import cbor2diag, diag2cbor
from jsonschema import Draft202012Validator

from protocol.codec import encode
from protocol.codec.words import to_numbers
from protocol.schema_findings import validator_of
from protocol.schemas import is_valid
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_message
from tests.protocol.diagnostic import notation
from tests.protocol.make_vectors import FOLDER, written
from tests.protocol.make_vectors import valid_vectors as made_vectors
from tests.protocol.vectors import Vector, invalid_vectors, valid_vectors, vectors


@pytest.mark.parametrize("message", sorted(specification().messages))
def test_valid_vectors_are_what_the_script_writes(message: str) -> None:
    assert (FOLDER / f"{message}.json").read_text(encoding="utf-8") == written(made_vectors(message)), (
        "write them again: python -m tests.protocol.make_vectors"
    )


def test_every_message_and_act_is_there_twice_in_both_encodings() -> None:
    spec = specification()
    wanted = [message for message in spec.messages if message != "job-order"] + list(spec.acts)
    assert len(valid_vectors()) == 4 * len(wanted)


def test_names_of_vectors_are_unique() -> None:
    names = [str(vector) for vector in vectors()]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("vector", vectors(), ids=str)
def test_text_and_bytes_of_a_vector_are_the_same(vector: Vector) -> None:
    if "text" in vector.fields:
        assert vector.fields["text"].encode() == vector.payload


@pytest.mark.parametrize("vector", valid_vectors(), ids=str)
def test_a_valid_vector_is_read_and_written_back(vector: Vector) -> None:
    reading = vector.read()
    assert reading.findings == ()
    assert reading.body == vector.body
    assert reading.body is not None
    assert reading.encoding is not None
    assert encode(vector.message, reading.body, reading.encoding) == vector.payload
    assert read_message(vector.message, vector.payload, closed=False) == reading


@pytest.mark.parametrize("vector", invalid_vectors(), ids=str)
def test_an_invalid_vector_is_refused_for_its_requirement(vector: Vector) -> None:
    reading = vector.read()
    assert vector.fields["requirement"] in [finding.requirement for finding in reading.findings]
    assert reading.body == vector.body
    assert reading.readable == vector.fields.get("readable", False)
    for finding in reading.findings:
        assert finding.requirement in specification().requirements
        assert finding.what
        assert finding.fix
        assert finding.where or finding.byte is not None, "neither field nor byte is named"


@pytest.mark.parametrize("vector", invalid_vectors(), ids=str)
def test_a_receiver_reads_what_may_be_overlooked_and_nothing_else(vector: Vector) -> None:
    if vector.fields["requirement"] == "ENC-13":  # There the topic is wrong, which a receiver never gets.
        return
    reading = read_message(vector.message, vector.payload, closed=False)
    assert reading.body == vector.body
    assert bool(reading.findings) == (vector.body is None)


def test_every_rejection_of_the_codec_has_a_vector() -> None:
    seen = {vector.fields["requirement"] for vector in invalid_vectors()}
    bytes_and_topics = {f"ENC-{n:02}" for n in (1, 2, 3, 4, 5, 6, 7, 12, 13)}
    assert bytes_and_topics | {"LNK-12", "LNK-13", "LNK-19", "HLD-06"} <= seen
    assert len(invalid_vectors()) >= 60


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("vector", vectors(), ids=str)
def test_cut_short_at_every_length(vector: Vector, closed: bool) -> None:
    """Every proper beginning of a valid payload is refused, and no beginning of any raises [ENC-12]."""
    for length in range(len(vector.payload)):
        reading = read_message(vector.message, vector.payload[:length], closed=closed)
        if vector.valid:
            assert not reading.readable
            assert {finding.requirement for finding in reading.findings} <= {"ENC-01", "ENC-12"}


@pytest.mark.parametrize("tail", [b"\x00", b"\n\x00", b"}", b"\xff", b"\xa0", b"{}"], ids=bytes.hex)
@pytest.mark.parametrize("vector", valid_vectors(), ids=str)
def test_with_a_tail(vector: Vector, tail: bytes) -> None:
    reading = read_message(vector.message, vector.payload + tail, closed=False)
    assert not reading.readable
    text = "text" in vector.fields and not tail.isascii()  # Then the whole is not UTF-8 any more.
    assert [finding.requirement for finding in reading.findings] == ["ENC-03" if text else "ENC-12"]
    assert reading.findings[0].byte in (len(vector.payload), len(vector.payload) + tail.find(b"\x00"))


@pytest.mark.parametrize("vector", [v for v in valid_vectors() if "CBOR" in str(v)], ids=str)
def test_a_second_cbor_implementation_agrees(vector: Vector) -> None:
    """cbor-diag, in Rust, on its own parser: same bytes from the notation, same notation from the bytes."""
    assert vector.body is not None
    numbers = dict(sorted(to_numbers(vector.message, vector.body).items()))
    assert diag2cbor(notation(numbers)) == vector.payload
    assert cbor2diag(vector.payload, pretty=False) == notation(numbers)
    assert cbor2.loads(vector.payload) == numbers


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("vector", vectors(), ids=str)
def test_two_schema_implementations_agree(vector: Vector, closed: bool) -> None:
    """`jsonschema` in Python and `jsonschema-rs` in Rust, on every body that is found in a vector."""
    body = _as_json(vector)
    if body is not None:
        assert validator_of(vector.message, closed).is_valid(body) == is_valid(
            vector.message, body, closed=closed
        )


def _as_json(vector: Vector) -> dict[str, Any] | None:
    try:
        body = json.loads(vector.fields.get("text", "")) if "text" in vector.fields else vector.body
    except ValueError:
        return None
    return body if isinstance(body, dict) else None


@pytest.mark.parametrize("schema", specification().by_urn.values(), ids=lambda schema: schema["title"])
def test_every_schema_is_one(schema: dict[str, object]) -> None:
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("encoding", Encoding)
def test_an_order_of_members_that_differs_gives_the_same_cbor(encoding: Encoding) -> None:
    one, other = {"act": "ask", "token": 1}, {"token": 1, "act": "ask"}
    assert (encode("job-order", one, encoding) == encode("job-order", other, encoding)) == (
        encoding is Encoding.CBOR
    )
