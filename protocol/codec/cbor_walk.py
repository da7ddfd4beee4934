"""Walks through CBOR that may be wrong, item by item, and says what is wrong at which byte.

The heads are read as in the pseudocode of RFC 8949 appendix C; a library decoder tells neither where an item
started nor how it was written.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from protocol.codec.value import Unfit, Value, is_integer
from protocol.finding import Finding, Flaw, Path, spell
from protocol.specification import specification

_UNSIGNED, _NEGATIVE, _BYTES, _TEXT, _ARRAY, _MAP, _TAG, _SIMPLE = range(8)
_SIMPLE_NAMES = {
    22: "null",
    23: "undefined",
    25: "a 16-bit float",
    26: "a 32-bit float",
    27: "a 64-bit float",
}
_BREAK = 0xFF
_INDEFINITE = 31


class _Unreadable(Exception):
    """The bytes cannot be followed any further."""

    def __init__(self, flaw: Flaw) -> None:
        super().__init__(flaw)
        self.flaw = flaw


@dataclass(slots=True)
class Walk:
    """What was found. `value` is None where the bytes could not be followed to their end."""

    value: Value = None
    flaws: list[Flaw] = field(default_factory=list)
    bytes: dict[Path, int] = field(default_factory=dict)
    """Where each value starts, keys as CBOR has them."""


def walk(payload: bytes) -> Walk:
    """Follow `payload` from its first byte to its last; time and memory are proportional to its length."""
    walker = _Walker(payload)
    found = walker.found
    try:
        found.value = walker.item((), 1)
        if walker.at < len(payload):
            rest = len(payload) - walker.at
            walker.fatal(
                "ENC-12", f"{rest} bytes behind the end of the map", walker.at, (), "Send one map alone"
            )
    except _Unreadable as end:
        found.flaws.append(end.flaw)
        found.value = None
    return found


@dataclass(slots=True)
class _Walker:
    payload: bytes
    at: int = 0
    found: Walk = field(default_factory=Walk)

    def fatal(self, requirement: str, what: str, byte: int, path: Path, fix: str) -> None:
        self.found.flaws.append(Flaw(Finding(requirement, what, spell(path), byte, fix), path))

    def forgiven(self, what: str, byte: int, path: Path, fix: str) -> None:
        self.found.flaws.append(Flaw(Finding("ENC-02", what, spell(path), byte, fix), path, forgiven=True))

    def end(self, requirement: str, what: str, byte: int, path: Path, fix: str) -> _Unreadable:
        return _Unreadable(Flaw(Finding(requirement, what, spell(path), byte, fix), path))

    def take(self, count: int, path: Path) -> bytes:
        """The next `count` bytes; nothing is set aside for bytes that are not there."""
        if count > len(self.payload) - self.at:
            missing = f"{count} bytes announced, {len(self.payload) - self.at} left"
            fix = "Check the buffer that the message is built in, and the length that is published"
            raise self.end("ENC-12", f"the map is cut short: {missing}", len(self.payload), path, fix)
        self.at += count
        return self.payload[self.at - count : self.at]

    def head(self, path: Path) -> tuple[int, int, int]:
        """Major type, additional information and argument of the next item."""
        start = self.at
        first = self.take(1, path)[0]
        major, info = first >> 5, first & 0x1F
        if info < 24:
            return major, info, info
        if info <= 27:
            argument = int.from_bytes(self.take(1 << (info - 24), path), "big")
            least = 24 if info == 24 else 1 << (4 << (info - 24))
            if argument < least and major != _SIMPLE:
                self.forgiven(
                    f"{argument} is written in more bytes than it needs", start, path, "Use the shortest form"
                )
            return major, info, argument
        if info == _INDEFINITE and major in (_BYTES, _TEXT, _ARRAY, _MAP):
            what = f"an indefinite length ({first:#04x})"
            raise self.end("ENC-02", what, start, path, "Announce the length or the number of entries")
        if first == _BREAK:
            raise self.end(
                "ENC-01", "a break (0xff) where a value has to be", start, path, "Announce the length instead"
            )
        raise self.end(
            "ENC-01", f"{first:#04x} starts no value in CBOR", start, path, "See RFC 8949 section 3"
        )

    def item(self, path: Path, depth: int) -> Value:
        """The next value, at nesting `depth`."""
        start = self.at
        self.found.bytes[path] = start
        major, info, argument = self.head(path)
        if major in (_ARRAY, _MAP) and depth > (most := specification().most("depth")):
            fix = "Send what the schema names, no deeper"
            raise self.end("ENC-12", f"nested deeper than {most}", start, path, fix)
        match major:
            case 0:
                return argument
            case 1:
                return -1 - argument
            case 2:
                self.take(argument, path)
                self.fatal(
                    "ENC-04",
                    "is a byte string, which the protocol has not",
                    start,
                    path,
                    "Send text or integers",
                )
                return Unfit("a byte string")
            case 3:
                return self.text(self.take(argument, path), start, path)
            case 4:
                return self.array(argument, path, depth)
            case 5:
                return self.map(argument, path, depth)
            case 6:
                self.fatal(
                    "ENC-04", f"carries the tag {argument}", start, path, "Send the plain value without a tag"
                )
                return self.tagged(argument, path)
            case _:
                return self.simple(info, argument, start, path)

    def tagged(self, tag: int, path: Path) -> Value:
        """What stands behind a tag; a row of tags is skipped in a loop, for it is no nesting to follow."""
        while self.at < len(self.payload) and self.payload[self.at] >> 5 == _TAG:
            self.head(path)
        start = self.found.bytes[path]
        self.item(path, self._deepest)
        self.found.bytes[path] = start
        return Unfit(f"a value with the tag {tag}")

    @property
    def _deepest(self) -> int:
        # Arrays and maps inside a tag are not looked into: one level is left for them.
        return specification().most("depth")

    def text(self, raw: bytes, start: int, path: Path) -> Value:
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError as error:
            byte = self.at - len(raw) + error.start
            self.fatal("ENC-01", "text that is not UTF-8", byte, path, "Send UTF-8, best only ASCII")
            return Unfit("text that is not UTF-8")

    def simple(self, info: int, argument: int, start: int, path: Path) -> Value:
        if info == 20 or info == 21:
            return info == 21
        if info == 24 and argument < 32:
            what = f"0xf8 {argument:#04x} starts no value in CBOR"
            raise self.end("ENC-01", what, start, path, "See RFC 8949 section 3.3")
        seen = _SIMPLE_NAMES.get(info, f"the simple value {argument}")
        fix = "Leave the field out" if info in (22, 23) else "Send an integer in the unit of the field"
        self.fatal("ENC-04", f"is {seen}, which the protocol has not", start, path, fix)
        return Unfit(seen)

    def array(self, count: int, path: Path, depth: int) -> list[Value]:
        return [self.item((*path, position), depth + 1) for position in range(self.counted(count, 1, path))]

    def counted(self, count: int, least: int, path: Path) -> int:
        """`count`, when so many entries of `least` bytes each can still follow."""
        if count * least > len(self.payload) - self.at:
            what = (
                f"the map is cut short: {count} entries announced, {len(self.payload) - self.at} bytes left"
            )
            fix = "Check the buffer that the message is built in, and the length that is published"
            raise self.end("ENC-12", what, len(self.payload), path, fix)
        return count

    def map(self, count: int, path: Path, depth: int) -> dict[Value, Value]:
        entries: dict[Value, Value] = {}
        before = b""
        for _ in range(self.counted(count, 2, path)):
            start = self.at
            key = self.key(path, depth)
            raw = self.payload[start : self.at]
            if key in entries:
                self.fatal(
                    "ENC-02", f"the key {key!r} comes twice", start, (*path, key), "Send every key once"
                )
            elif raw < before:
                fix = "Send the keys in the bytewise order of their encoding"
                self.forgiven(f"the key {key!r} comes after a higher one", start, (*path, key), fix)
            before = max(before, raw)
            entries[key] = self.item((*path, key), depth + 1)
        return entries

    def key(self, path: Path, depth: int) -> str | int:
        start = self.at
        key = self.item((*path, "key"), depth + 1)
        self.found.bytes.pop((*path, "key"), None)
        if is_integer(key) or isinstance(key, str):
            return key
        self.fatal(
            "ENC-02", "a key that is not an integer", start, path, "Use the integers of the schema as keys"
        )
        return f"key at byte {start}"
