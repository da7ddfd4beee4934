"""JSON as RFC 8259 has it, integers only: the interpreter's own reader takes trailing commas and other nonsense."""

from .cbor import Unreadable
from .tables import DEPTH_MOST
from .utf8 import is_utf8

SPACE = " \t\n\r"
ESCAPES = {'"': '"', "\\": "\\", "/": "/", "b": "\b", "f": "\f", "n": "\n", "r": "\r", "t": "\t"}
WORDS = {"t": ("true", True), "f": ("false", False)}
DIGITS = "0123456789"
DIGITS_MOST = 20


def read(payload: bytes) -> dict:
    """The one object that a payload is. Raises Unreadable."""
    if payload[:1] != b"{" or not is_utf8(payload):
        raise Unreadable
    text = _Text(payload.decode())
    value = text.value(1)
    text.skip_space()
    if text.at != len(text.text):
        raise Unreadable  # [ENC-12]
    return value


def write(value) -> str:
    """Compact JSON of what the protocol has; its texts need no escapes [ENC-03]."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return '"' + value + '"'
    return "[" + ",".join([write(part) for part in value]) + "]"


class _Text:
    """A text and how far it has been read."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0

    def skip_space(self) -> None:
        while self.at < len(self.text) and self.text[self.at] in SPACE:
            self.at += 1

    def next(self) -> str:
        """The next character. Raises Unreadable at the end."""
        if self.at >= len(self.text):
            raise Unreadable
        self.at += 1
        return self.text[self.at - 1]

    def mark(self) -> str:
        """The next character that is no space."""
        self.skip_space()
        return self.next()

    def value(self, depth: int):
        first = self.mark()
        if first in "{[":
            if depth > DEPTH_MOST:
                raise Unreadable
            return self.members(depth) if first == "{" else self.entries(depth)
        if first == '"':
            return self.string()
        if first in WORDS:
            word, meaning = WORDS[first]
            if self.text[self.at - 1 : self.at - 1 + len(word)] != word:
                raise Unreadable
            self.at += len(word) - 1
            return meaning
        return self.number(first)

    def members(self, depth: int) -> dict:
        found: dict = {}
        mark = self.mark()
        while mark != "}" or found:
            if mark != '"':
                raise Unreadable
            name = self.string()
            if name in found or self.mark() != ":":
                raise Unreadable
            found[name] = self.value(depth + 1)
            mark = self.mark()
            if mark == "}":
                break
            if mark != ",":
                raise Unreadable
            mark = self.mark()
        return found

    def entries(self, depth: int) -> list:
        found: list = []
        self.skip_space()
        if self.text[self.at : self.at + 1] == "]":
            self.at += 1
            return found
        while True:
            found.append(self.value(depth + 1))
            mark = self.mark()
            if mark == "]":
                return found
            if mark != ",":
                raise Unreadable

    def number(self, first: str) -> int:
        begin = self.at - 1
        digit = self.next() if first == "-" else first
        if digit not in DIGITS:
            raise Unreadable
        while self.at < len(self.text) and self.text[self.at] in DIGITS:
            self.at += 1
        written = self.text[begin : self.at]
        size = len(written) - (first == "-")
        # A nought in front, a number larger than any field takes, a fraction, an exponent.
        if (
            (digit == "0" and size > 1)
            or size > DIGITS_MOST
            or self.text[self.at : self.at + 1] in tuple(".eE")
        ):
            raise Unreadable
        return int(written)

    def string(self) -> str:
        found: list = []
        while True:
            letter = self.next()
            if letter == '"':
                return "".join(found)
            if letter < " ":
                raise Unreadable
            found.append(letter if letter != "\\" else self.escaped())

    def escaped(self) -> str:
        letter = self.next()
        if letter != "u":
            if letter not in ESCAPES:
                raise Unreadable
            return ESCAPES[letter]
        code = self.hex()
        if 0xD800 <= code < 0xDC00:  # The first half of a pair; the second has to follow.
            if self.next() != "\\" or self.next() != "u":
                raise Unreadable
            low = self.hex()
            if not 0xDC00 <= low < 0xE000:
                raise Unreadable
            return chr(0x10000 + ((code - 0xD800) << 10) + low - 0xDC00)
        if 0xDC00 <= code < 0xE000:
            raise Unreadable
        return chr(code)

    def hex(self) -> int:
        code = 0
        for _ in range(4):
            digit = "0123456789abcdef".find(self.next().lower())
            if digit < 0:
                raise Unreadable
            code = code << 4 | digit
        return code
