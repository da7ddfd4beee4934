"""The page of the recording format: as it is written, and as another implementation of CBOR reads its bytes."""

from __future__ import annotations

import re
from datetime import datetime
from io import BytesIO

import cbor_diag

from conformance.publish.site import sources
from conformance.publish.site.recording_document import FAULT, HEADER, PAGE, recording, recording_document
from protocol.recording import RecordedMessage, RecordingReader
from protocol.validation import read_publication


def dumped() -> bytes:
    """The bytes that the page shows, in their order and at the places that it says."""
    text = (sources.home() / PAGE).read_text("utf-8")
    block = text[text.index("```text\n") :]
    found = b""
    for at, digits in re.findall(r"^([0-9a-f]{4})  ((?:[0-9a-f]{2} ?)+?)(?= {2}|$)", block, re.MULTILINE):
        assert int(at, 16) == len(found)
        found += bytes.fromhex(digits)
    return found


def test_the_page_is_as_it_is_made() -> None:
    """`python -m conformance.publish.site.recording_document` writes it."""
    assert (sources.home() / PAGE).read_text("utf-8") == recording_document()


def test_the_bytes_of_the_page_are_a_recording_that_our_reader_takes() -> None:
    assert dumped() == recording()
    reader = RecordingReader(BytesIO(dumped()))
    items = list(reader)
    assert reader.header == HEADER
    assert reader.ended
    message = next(item for item in items if isinstance(item, RecordedMessage))
    reading = read_publication(message.topic, message.payload, retain=None, qos=None)
    assert reading.valid
    assert reading.body == FAULT


def test_another_implementation_of_cbor_reads_the_same() -> None:
    """A CBOR sequence is its items one behind the other (RFC 8742): as the entries of an array it is one value."""
    told = cbor_diag.cbor2diag(b"\x84" + dumped(), pretty=False)
    flat = told.replace(" ", "")
    assert flat.startswith('[{"yardwire":"recording","version":1,"site":"harlow-basin"')
    assert '[1,0,"connected","mqtt://127.0.0.1:1883"]' in flat
    assert '[0,1204000,"yw1/harlow-basin/north/fault",h\'' in flat
    assert flat.endswith(",[2,2500000,1]]")
    assert datetime.fromisoformat(HEADER.started).tzinfo is not None
