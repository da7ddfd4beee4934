"""Text that somebody else chose, made harmless to a terminal, a log and a page.

Control characters (C0, C1, DEL) command a terminal; characters that turn the direction of writing, that have no
width or that no encoding has make a line look like another one. All that Unicode calls 'other' is spelt out,
and what ends a line.
"""

from __future__ import annotations

import re
from unicodedata import category

_UNUSUAL = re.compile("[^\t\n -~]+")
_UNUSUAL_ON_A_LINE = re.compile("[^ -~]+")
_SPELT = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""General categories of Unicode: control, format, surrogate, private, unassigned; ends of lines, of paragraphs."""


def one_line(text: str) -> str:
    """`text` on one line: what could command a terminal, and what would begin a new line, is spelt out."""
    return _UNUSUAL_ON_A_LINE.sub(_run, text)


def harmless(text: str) -> str:
    """The same, but lines and tabs stay: for a whole text of which a part is of foreign origin."""
    return _UNUSUAL.sub(_run, text)


def _run(found: re.Match[str]) -> str:
    run = found[0]
    return run if run.isprintable() else "".join(map(_spelt, run))


def _spelt(sign: str) -> str:
    if category(sign) not in _SPELT:
        return sign
    # As JSON spells it: so a document in JSON stays one, and says the same.
    units = sign.encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[at : at + 4]}" for at in range(0, len(units), 4))
