"""Where messages come from: payload files, vectors, JSON Lines, recordings, folders of all these, hex."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO, cast

from conformance.recordings.validate.subject import Expected, Subject
from protocol.recording import MAGIC, DamagedRecording, NotARecording, RecordedMessage, RecordingReader
from protocol.specification import specification
from protocol.trouble import Trouble

SUFFIXES = (".json", ".jsonl", ".cbor", ".hex")
HEAD = 2000
"""Bytes in which a file of exchanges has said that it is one."""
LARGEST = 16 << 20
"""Bytes of a file that is no recording; recordings are read as a stream."""
_LARGE_FIX = "Name a recording, or a file of payloads"
_MESSAGE_FIX = "Say it with --message, or name the file after its message, such as job-order.cbor"
_VECTOR_FIX = "A vector has name, message, valid, and hex or text"
_LINE_FIX = "A line is a JSON object with topic (or message), and hex or text"
_HEX_FIX = "Write two digits 0-9 a-f a byte; blanks may stand between"


def from_path(path: Path, message: str) -> Iterator[Subject]:
    """The messages of a file, or of all files in a folder and below it.

    `message` is the name for payloads whose file does not tell it. Raises Trouble for what cannot be read.
    """
    if not path.is_dir():
        yield from _from_file(path, message)
        return
    files = [file for file in sorted(path.rglob("*")) if file.is_file() and not _is_exchanges(file)]
    for file in files:
        if file.suffix in SUFFIXES or _start(file).startswith(MAGIC):
            yield from _from_file(file, message)


def from_hex(digits: str, message: str, where: str) -> Subject:
    """A payload written in hex. Raises Trouble for what is no hex."""
    try:
        payload = bytes.fromhex(re.sub(r"0x|[\s,:]", "", digits))
    except ValueError:
        raise Trouble("invalid hex", where=where, fix=_HEX_FIX) from None
    return Subject(where, payload, _known(message, where))


def from_stream(stream: BinaryIO, where: str, message: str) -> Iterator[Subject]:
    """The messages in standard input: a recording, however long it is, or what `from_bytes` reads."""
    content = stream.read(LARGEST + 1)
    if content.startswith(MAGIC):
        yield from _from_recording(cast("BinaryIO", _Begun(content, stream)), where)
        return
    if len(content) > LARGEST:
        raise Trouble(f"byte {LARGEST}: larger than {LARGEST >> 20} MiB", where=where, fix=_LARGE_FIX)
    yield from from_bytes(content, where, message)


class _Begun:
    """A stream of which the beginning has been read."""

    def __init__(self, begin: bytes, stream: BinaryIO) -> None:
        self._begin = BytesIO(begin)
        self._stream = stream

    def read(self, size: int) -> bytes:
        """The next bytes."""
        return self._begin.read(size) or self._stream.read(size)


def from_bytes(content: bytes, where: str, message: str) -> Iterator[Subject]:
    """The messages in these bytes: a recording, JSON Lines, vectors or one payload."""
    if content.startswith(MAGIC):
        yield from _from_recording(BytesIO(content), where)
        return
    lines = _json_lines(content)
    if lines is not None:
        yield from _from_lines(lines, where)
    else:
        yield from _from_json(content, where, message)


def _from_file(path: Path, message: str) -> Iterator[Subject]:
    where = str(path)
    if _start(path).startswith(MAGIC):
        with path.open("rb") as file:
            yield from _from_recording(file, where)
        return
    if _is_exchanges(path):
        fix = "They are played to the node that is tried, see the guide 'Test your order desk'"
        raise Trouble("exchanges, in which wrong orders are meant to be", where=where, fix=fix)
    content = _content(path)
    message = message or _message_in(path.stem)
    match path.suffix:
        case ".jsonl":
            yield from _from_lines(_split(content, where), where)
        case ".hex":
            for number, line in enumerate(_split(content, where), 1):
                if line.strip():
                    yield from_hex(line, message, f"{where}, line {number}")
        case ".cbor":
            yield Subject(where, content, _known(message, where))
        case _:
            yield from _from_json(content, where, message)


def _from_json(content: bytes, where: str, message: str) -> Iterator[Subject]:
    """A list of vectors, or one payload; a line end behind a payload in JSON is the editor's."""
    vectors = _vectors(content)
    if vectors is not None:
        for number, row in enumerate(vectors, 1):
            yield _vector(row, f"{where}, vector {number}")
        return
    text = content.startswith((b"{", b"[")) or content[:1].isspace()
    payload = re.sub(rb"\r?\n\Z", b"", content) if text else content
    yield Subject(where, payload, _known(message, where))


def _is_exchanges(path: Path) -> bool:
    """Whether a file is one of exchanges: played to a node, with wrong orders among them, and no messages to check."""
    return path.suffix == ".json" and b'"exchanges": [' in _read(path, lambda: _first_bytes(path, HEAD))


def _vectors(content: bytes) -> list[Any] | None:
    try:
        found = json.loads(content) if content.lstrip()[:1] == b"[" else None
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, list) and found and isinstance(found[0], dict) else None


def _vector(row: Any, where: str) -> Subject:
    if not isinstance(row, dict) or not isinstance(row.get("valid"), bool):
        raise Trouble("not a vector", where=where, fix=_VECTOR_FIX)
    name = f"{where} ({row['name']})" if isinstance(row.get("name"), str) else where
    expected = Expected(row["valid"], str(row.get("requirement", "")), row.get("body"))
    return _described(row, name, expected, _VECTOR_FIX)


def _described(row: dict[str, Any], where: str, expected: Expected | None, fix: str) -> Subject:
    """A subject from a JSON object that describes it. Raises Trouble where the object does not."""
    kinds: dict[str, type] = {
        "hex": str,
        "text": str,
        "topic": str,
        "message": str,
        "retain": bool,
        "qos": int,
    }
    for name, kind in kinds.items():
        if name in row and not isinstance(row[name], kind):
            raise Trouble(f"{name!r} is of the wrong type", where=where, fix=fix)
    if "hex" in row:
        payload = from_hex(row["hex"], next(iter(specification().messages)), where).payload
    elif "text" in row:
        payload = row["text"].encode("utf-8", "surrogatepass")
    else:
        raise Trouble("there is no payload", where=where, fix=fix)
    topic = row.get("topic", "")
    message = "" if topic else _known(row.get("message", ""), where)
    return Subject(where, payload, message, topic, row.get("retain"), row.get("qos"), expected)


def _json_lines(content: bytes) -> list[str] | None:
    """The lines, if the first of them describes a message rather than being one."""
    first = content.lstrip().partition(b"\n")[0]
    try:
        row = json.loads(first)
        described = isinstance(row, dict) and not row.keys().isdisjoint({"hex", "text"})
        return content.decode().splitlines() if described else None
    except (ValueError, RecursionError):
        return None


def _from_lines(lines: list[str], where: str) -> Iterator[Subject]:
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        place = f"{where}, line {number}"
        try:
            row = json.loads(line)
        except (ValueError, RecursionError):
            raise Trouble("not JSON", where=place, fix=_LINE_FIX) from None
        if not isinstance(row, dict):
            raise Trouble("not a JSON object", where=place, fix=_LINE_FIX)
        yield _described(row, place, None, _LINE_FIX)


def _from_recording(file: BinaryIO, where: str) -> Iterator[Subject]:
    """Every message of a recording; Trouble at its end if it is damaged or breaks off."""
    fix = "What stands before it was judged; record it again for the rest"
    try:
        reader = RecordingReader(file)
        for item in reader:
            if isinstance(item, RecordedMessage):
                yield _recorded(item, where)
    except (NotARecording, DamagedRecording) as error:
        raise Trouble(f"the recording is damaged: {error}", where=where, fix=fix) from error
    if reader.cut_at is not None:
        raise Trouble(f"the recording breaks off at byte {reader.cut_at}", where=where, fix=fix)


def _recorded(item: RecordedMessage, where: str) -> Subject:
    place = f"{where}, {item.at_us / 1e6:.3f} s, {item.topic}"
    # A broker clears the retain flag of what it passes on at once: only a set flag tells anything.
    return Subject(place, item.payload, topic=item.topic or "''", retain=item.retain or None, qos=item.qos)


def _message_in(stem: str) -> str:
    """The message that a file is named after, '' if none."""
    names = sorted(specification().messages, key=len, reverse=True)
    return next((name for name in names if re.match(rf"{name}(?![A-Za-z0-9])", stem)), "")


def _known(message: str, where: str) -> str:
    if not message:
        raise Trouble("which message is it?", where=where, fix=_MESSAGE_FIX)
    if message not in specification().messages:
        fix = f"The messages are {', '.join(specification().messages)}"
        raise Trouble(f"there is no message {message!r}", where=where, fix=fix)
    return message


def _split(content: bytes, where: str) -> list[str]:
    try:
        return content.decode().splitlines()
    except UnicodeDecodeError as error:
        fix = "Save it as UTF-8"
        raise Trouble(f"byte {error.start} is not UTF-8", where=where, fix=fix) from error


def _start(path: Path) -> bytes:
    return _read(path, lambda: _first_bytes(path, len(MAGIC)))


def _first_bytes(path: Path, count: int) -> bytes:
    with path.open("rb") as file:
        return file.read(count)


def _content(path: Path) -> bytes:
    content = _read(path, lambda: _first_bytes(path, LARGEST + 1))
    if len(content) > LARGEST:
        raise Trouble(f"byte {LARGEST}: larger than {LARGEST >> 20} MiB", where=str(path), fix=_LARGE_FIX)
    return content


def _read(path: Path, read: Callable[[], bytes]) -> bytes:
    try:
        return read()
    except OSError as error:
        fix = "Name a file or folder that can be read"
        raise Trouble(f"cannot be read: {error.strerror}", where=str(path), fix=fix) from error
