"""Text that somebody else chose, made harmless to a terminal, a log and a page.

Control characters (C0, C1, DEL) command a terminal; characters that turn the direction of writing, that have no
width or that no encoding has make a line look like another one.
"""

from __future__ import annotations

import re

_COMMANDS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff"
    "\ufeff\ufff9-\ufffb\U000e0000-\U000e007f]"
)
_AND_LINES = re.compile(f"{_COMMANDS.pattern[:-1]}\t\n]")


def one_line(text: str) -> str:
    """`text` on one line: what could command a terminal, and what would begin a new line, is spelt out."""
    return text if text.isascii() and text.isprintable() else _AND_LINES.sub(_spelt, text)


def harmless(text: str) -> str:
    """The same, but lines and tabs stay: for a whole text of which a part is of foreign origin."""
    return _COMMANDS.sub(_spelt, text)


def _spelt(found: re.Match[str]) -> str:
    # As JSON spells it: so a document in JSON stays one, and says the same.
    return "".join(f"\\u{unit:04x}" for unit in _units(ord(found[0])))


def _units(character: int) -> tuple[int, ...]:
    if character < 0x10000:
        return (character,)
    return 0xD800 + ((character - 0x10000) >> 10), 0xDC00 + ((character - 0x10000) & 0x3FF)
