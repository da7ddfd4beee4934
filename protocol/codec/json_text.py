"""JSON (RFC 8259): one object of UTF-8 text, compact, integers only."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from protocol.codec.value import Unfit, Value
from protocol.finding import Finding, Flaw, Path, spell
from protocol.specification import specification

_FIX_CUT = "Check the buffer that the message is built in, and the length that is published"
_ESCAPE = re.compile(r"\\(?:u[0-9A-Fa-f]{4}|.)")
_NEEDED = re.compile(r'\\(?:["\\bfnrt]|u00[01][0-9A-Fa-f])')
_STRING_OR_SPACE = re.compile(r'"(?:[^"\\]|\\.)*+"|([ \t\r\n]+)', re.DOTALL)
_STRING = re.compile(r'"(?:[^"\\]|\\.)*+(?:"|\Z)', re.DOTALL)
_SURROGATE = re.compile("[\ud800-\udfff]")


class _Members(dict[str, Any]):
    """The members of an object, and the names that came twice."""

    twice: tuple[str, ...] = ()


def encode_json(body: Mapping[Any, Value]) -> bytes:
    """Compact UTF-8. Raises TypeError or ValueError for what JSON or the model does not have."""
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode("utf-8")


def decode_json(payload: bytes) -> tuple[Value, list[Flaw]]:
    """The value of a payload and every flaw; the value is None where the text could not be read at all."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        return None, [_fatal("ENC-03", "the text is not UTF-8", error.start, "Send UTF-8, best only ASCII")]
    too_deep = _too_deep(text)
    if too_deep is not None:
        return None, [too_deep]
    try:
        value = json.loads(
            text,
            object_pairs_hook=_members,
            parse_float=lambda digits: Unfit(f"the fraction or exponent {digits[:30]}"),
            parse_constant=lambda name: Unfit(name),
        )
    except json.JSONDecodeError as error:
        return None, [_syntax(error, payload)]
    except (
        ValueError,
        RecursionError,
    ) as error:  # More digits than an int may have; deeper than Python's stack.
        return None, [
            _fatal("ENC-04", f"the text cannot be read: {error}", None, "Send integers of 32 bits at most")
        ]
    flaws = [*_white_space(text), *_needless_escape(text)]
    return _strip(value, (), flaws), flaws


def _members(pairs: list[tuple[str, Value]]) -> _Members:
    members = _Members(pairs)
    if len(members) < len(pairs):
        names = [name for name, _ in pairs]
        members.twice = tuple(name for name in members if names.count(name) > 1)
    return members


def _strip(value: Value, path: Path, flaws: list[Flaw]) -> Value:
    """`value` with `Unfit` for what the model does not have, each with its flaw."""
    if isinstance(value, _Members):
        fix = "Send every member once"
        flaws += [_flaw("ENC-03", "comes twice", (*path, name), fix) for name in value.twice]
        return {_name(name, path, flaws): _strip(part, (*path, name), flaws) for name, part in value.items()}
    if isinstance(value, list):
        return [_strip(part, (*path, position), flaws) for position, part in enumerate(value)]
    if value is None:
        value = Unfit("null")
    if isinstance(value, Unfit):
        fix = "Leave the field out" if value.seen == "null" else "Send an integer in the unit of the field"
        flaws.append(_flaw("ENC-04", f"is {value.seen}, and the protocol has integers only", path, fix))
    if isinstance(value, str) and _SURROGATE.search(value):
        flaws.append(_flaw("ENC-03", "holds half of a surrogate pair, which is not text", path, "Send ASCII"))
        return Unfit("text with half of a surrogate pair")
    return value


def _name(name: str, path: Path, flaws: list[Flaw]) -> str:
    if _SURROGATE.search(name):
        flaws.append(_flaw("ENC-03", "has a member name with half of a surrogate pair", path, "Send ASCII"))
        return ascii(name)
    return name


def _needless_escape(text: str) -> list[Flaw]:
    # Outside strings a backslash is no JSON, so every one found here stands in a string.
    for match in _ESCAPE.finditer(text):
        if not _NEEDED.fullmatch(match[0]):
            byte = len(text[: match.start()].encode("utf-8"))
            finding = Finding(
                "ENC-03", f"the needless escape {match[0]}", "", byte, "Write the character itself"
            )
            return [Flaw(finding, (), forgiven=True)]
    return []


def _white_space(text: str) -> list[Flaw]:
    for match in _STRING_OR_SPACE.finditer(text):
        if match[1]:
            byte = len(text[: match.start()].encode("utf-8"))
            finding = Finding(
                "ENC-03", "white space outside a string", "", byte, "Write the object without it"
            )
            return [Flaw(finding, (), forgiven=True)]
    return []


def _too_deep(text: str) -> Flaw | None:
    """Counts brackets before anything recursive sees them."""
    most = specification().most("depth")
    depth = 0
    bare = _STRING.sub(lambda match: " " * len(match[0]), text)
    for position, character in enumerate(bare):
        if character in "[{":
            depth += 1
            if depth > most:
                byte = len(text[:position].encode("utf-8"))
                return _fatal(
                    "ENC-12", f"nested deeper than {most}", byte, "Send what the schema names, no deeper"
                )
        elif character in "]}":
            depth -= 1
    return None


def _syntax(error: json.JSONDecodeError, payload: bytes) -> Flaw:
    byte = len(error.doc[: error.pos].encode("utf-8"))
    if error.msg == "Extra data":
        return _fatal(
            "ENC-12",
            f"{len(payload) - byte} bytes behind the end of the object",
            byte,
            "Send one object alone",
        )
    if byte >= len(payload) or error.msg.startswith("Unterminated string"):
        fix = "Check the buffer that the message is built in, and the length that is published"
        return _fatal("ENC-12", "the object is cut short", len(payload), fix)
    return _fatal(
        "ENC-01", f"not JSON: {error.msg[0].lower()}{error.msg[1:]}", byte, "Send one JSON object (RFC 8259)"
    )


def _flaw(requirement: str, what: str, path: Path, fix: str) -> Flaw:
    return Flaw(Finding(requirement, what, spell(path), None, fix), path)


def _fatal(requirement: str, what: str, byte: int | None, fix: str) -> Flaw:
    return Flaw(Finding(requirement, what, "", byte, fix))
