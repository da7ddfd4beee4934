"""Writes docs/protocol/recording.md: the recording format, with a whole small recording taken apart byte by byte."""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO
from typing import BinaryIO, cast

from cbor2 import dumps

from conformance.publish.site import sources
from protocol.codec import encode
from protocol.recording import (
    MOST_HEADER,
    MOST_ITEM,
    MOST_TOPIC,
    EventKind,
    Header,
    RecordedEvent,
    RecordedMessage,
    RecordingWriter,
)
from protocol.site import Encoding

PAGE = "docs/protocol/recording.md"
HEADER = Header("harlow-basin", "2026-05-04T08:00:00+00:00", "mqtt://127.0.0.1:1883", "0.1.0")
FAULT = {"boot": 4711, "seq": 3, "uptime": 9120, "active": ["pick-missed"], "faults": 1}
IN_A_LINE = 16

TEXT = f"""\
# The recording format

Made by `python -m conformance.publish.site.recording_document`; a test holds this page to what the recorder writes and a second CBOR
implementation reads.

A recording is what was said on the bus, as it came. It is a CBOR sequence (RFC 8742): a header, then items in the order of their arrival, then
an end mark if the recorder stopped by itself. Nothing in it is compressed or indexed, so a file that breaks off can be read up to the last whole
item. `yardwire record --zstd` packs the whole file with Zstandard (RFC 8878), one frame, flushed at every write.

| item | CBOR | what it is |
|---|---|---|
| header | map of six texts and an integer: `yardwire`, `version`, `site`, `started`, `source`, `kit` | `yardwire` is `"recording"` and `version` 1; `started` is the wall clock in ISO 8601 with its offset from UTC |
| message | `[0, at_us, topic, payload, qos, retain, dup]` | one PUBLISH as it reached the recorder; the payload is a byte string, never looked into |
| event | `[1, at_us, kind, text]` | what befell the recorder: `connected`, `disconnected` (what follows up to the next `connected` is missing), `note` |
| end | `[2, at_us, messages]` | the recorder stopped by itself, after so many messages in this file |

- `at_us` are microseconds of a monotonic clock since `started`. They never go back.
- An item has at most {MOST_ITEM:,} bytes, a topic {MOST_TOPIC:,}, a text of the header {MOST_HEADER:,} characters. No value in an item holds others.
- Every file begins with the same {{magic}} bytes: a map of six, whose first pair is `yardwire` and `recording`.
- A file that was begun because another was full says so in its first item: a `note` of `continues` and the name of that file. The last item but the
  end mark of the full one is a `note` of `goes on in` and the name of the next. So parts that lie in one folder find each other again.
- A reader gives up at an item that is none of these, and says at which byte. It skips nothing.

## A whole recording, byte by byte

The recorder connected, crane `north` said that it missed a box, and the recorder was stopped:

"""  # noqa: E501 - it is the text of the page


def recording() -> bytes:
    """The small recording that the page takes apart, as the recorder's writer makes it."""
    file = BytesIO()
    writer = RecordingWriter(cast("BinaryIO", file), HEADER)
    for item in _items():
        if isinstance(item, RecordedEvent):
            writer.event(item)
        else:
            writer.message(item)
    writer.end(2_500_000)
    return file.getvalue()


def _items() -> tuple[RecordedEvent, RecordedMessage]:
    payload = encode("fault", FAULT, Encoding.CBOR)
    topic = f"yw1/{HEADER.site}/north/fault"
    return (
        RecordedEvent(0, EventKind.CONNECTED, HEADER.source),
        RecordedMessage(1_204_000, topic, payload, 1, retain=False, dup=False),
    )


def pieces() -> Iterator[tuple[bytes, str]]:
    """The bytes of that recording in their order, each with what it says."""
    event, message = _items()
    yield b"\xa6", "a map of 6"
    for name, value in (
        ("yardwire", "recording"), ("version", HEADER.version), ("site", HEADER.site),
        ("started", HEADER.started), ("source", HEADER.source), ("kit", HEADER.kit),
    ):  # fmt: skip
        yield dumps(name), f'  "{name}"'
        yield dumps(value), f"    {value if isinstance(value, int) else f'{chr(34)}{value}{chr(34)}'}"
    yield b"\x84", "an array of 4: an event"
    yield from _told((1, "event"), (event.at_us, "at_us"), (str(event.kind), "kind"), (event.text, "text"))
    yield b"\x87", "an array of 7: a message"
    yield from _told(
        (0, "message"), (message.at_us, "at_us"), (message.topic, "topic"), (message.payload, "payload"),
        (message.qos, "QoS"), (message.retain, "retain"), (message.dup, "DUP"),
    )  # fmt: skip
    yield b"\x83", "an array of 3: the end mark"
    yield from _told((2, "end"), (2_500_000, "at_us"), (1, "messages"))


def _told(*values: tuple[object, str]) -> Iterator[tuple[bytes, str]]:
    for value, name in values:
        shown = f"{len(value)} bytes, as they were published" if isinstance(value, bytes) else str(value)
        yield dumps(value), f"  {name}: {shown}"


def recording_document() -> str:
    """The page. Raises AssertionError where the explanation is not the recording."""
    whole = recording()
    told = list(pieces())
    if b"".join(raw for raw, _ in told) != whole:
        raise AssertionError("the explanation of the recording is not the recording")
    magic = len(dumps("yardwire")) + len(dumps("recording")) + 1
    lines = []
    at = 0
    for raw, says in told:
        for begin in range(0, len(raw), IN_A_LINE):
            part = raw[begin : begin + IN_A_LINE]
            lines.append(
                f"{at + begin:04x}  {part.hex(' '):<{3 * IN_A_LINE}} {says if begin == 0 else ''}".rstrip()
            )
        at += len(raw)
    return TEXT.replace("{magic}", str(magic)) + "```text\n" + "\n".join(lines) + "\n```\n"


if __name__ == "__main__":
    (sources.home() / PAGE).write_text(recording_document(), encoding="utf-8")
