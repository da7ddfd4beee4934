"""What is wrong with the shape of a TOML file, each mistake with its place and how to fix it.

What a file may cost is bounded before it is parsed, and what it holds before it is looked at: its size, the depth
of its tables, the digits of its numbers, the number of its values.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from itertools import islice
from typing import TYPE_CHECKING, Any

from protocol.foreign_text import one_line
from protocol.site_checks import SiteProblem

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator

_KINDS = {
    "integer": "an integer",
    "number": "a number",
    "string": "a string",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}


MOST_BYTES = 256 << 10
"""Bytes of a TOML file; the site file of a large yard has a tenth of it."""
MOST_DEPTH = 16
"""Tables and arrays inside each other."""
MOST_VALUES = 50_000
MOST_PROBLEMS = 100
"""Mistakes that are looked for; behind the first few, most come from those before."""
_INT64 = range(-(1 << 63), 1 << 63)
"""Integers of TOML: 64 bits."""
_SHOWN = 60

_PART = rb"(?:[A-Za-z0-9_-]++|\"[^\"\n]*+\"|'[^'\n]*+')"
_LONG_KEY = re.compile(rb"(?<![A-Za-z0-9_.-])(?:" + _PART + rb"[ \t]*+\.[ \t]*+){%d}" % MOST_DEPTH)
_LONG_NUMBER = re.compile(rb"[0-9][0-9_]{%d}" % 4000)


class NotToml(Exception):
    """A file that is not TOML at all, or has more of something than it may."""

    def __init__(self, problem: SiteProblem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def parse_toml(content: bytes) -> dict[str, Any]:
    """The tables of a TOML file. Raises NotToml."""
    if len(content) > MOST_BYTES:
        what = f"{len(content):,} bytes, and a file may have {MOST_BYTES:,}"
        raise NotToml(SiteProblem(f"byte {MOST_BYTES}", what, "Name the right file, or make it shorter"))
    if (long := _LONG_KEY.search(content)) is not None:
        raise NotToml(_too_deep(long.start()))
    try:
        data = tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        problem = SiteProblem(f"byte {error.start}", "not UTF-8", "Save the file as UTF-8")
    except tomllib.TOMLDecodeError as error:
        what, _, place = str(error).partition(" (at ")
        problem = SiteProblem(
            place.rstrip(")") or "TOML", one_line(what[:200]), "See https://toml.io for the syntax"
        )
    except RecursionError:
        problem = _too_deep(_first_deep(content))
    except ValueError as error:
        found = _LONG_NUMBER.search(content)
        what = f"no value: {error}" if found is None else "a number of more digits than a number may have"
        problem = SiteProblem(f"byte {found.start()}" if found else "TOML", what, "Write 64 bits at most")
    else:
        excess = _excess(data)
        if excess is None:
            return data
        problem = excess
    raise NotToml(problem)


def _too_deep(byte: int) -> SiteProblem:
    what = f"nested deeper than {MOST_DEPTH} tables and arrays"
    return SiteProblem(f"byte {byte}", what, "See 'yardwire site new' for how deep a file is")


def _first_deep(content: bytes) -> int:
    """The byte of the first bracket that is too deep."""
    depth = 0
    for byte, sign in enumerate(content):
        depth += (sign in b"[{") - (sign in b"]}")
        if depth > MOST_DEPTH:
            return byte
    return 0


def _excess(data: dict[str, Any]) -> SiteProblem | None:
    """What the file has too much of, looked for level by level: no depth exhausts the stack."""
    level: list[tuple[str, Any]] = [("", data)]
    number = 0
    for _ in range(MOST_DEPTH + 1):
        number += len(level)
        if number > MOST_VALUES:
            what = f"more than {MOST_VALUES:,} values"
            return SiteProblem("the file", what, "Describe a smaller yard, or divide it into two sites")
        if not level:
            return None
        below: list[tuple[str, Any]] = []
        for where, value in level:
            if isinstance(value, int) and value not in _INT64:
                return SiteProblem(where, "a number of more than 64 bits", "Write 64 bits at most")
            below += _entries(where, value)
        level = below
    if not level:
        return None
    return SiteProblem(level[0][0][:_SHOWN], *_told(_too_deep(0)))


def _told(problem: SiteProblem) -> tuple[str, str]:
    return problem.what, problem.fix


def _entries(where: str, value: Any) -> Iterator[tuple[str, Any]]:
    pairs: Iterable[tuple[Any, Any]] = ()
    if isinstance(value, dict):
        pairs = value.items()
    elif isinstance(value, list):
        pairs = enumerate(value)
    for key, inner in pairs:
        yield f"{where}.{one_line(str(key)[:_SHOWN])}".lstrip("."), inner


def fractions(value: Any, where: str = "") -> Iterator[SiteProblem]:
    """JSON Schema takes 3.0 for an integer; the protocol knows no fractions at all [ENC-04]."""
    if isinstance(value, float):
        yield SiteProblem(where, f"{value} has a decimal point", "Use a smaller unit and a whole number")
    elif isinstance(value, (dict, list)):
        pairs = value.items() if isinstance(value, dict) else enumerate(value)
        for key, inner in pairs:
            yield from fractions(inner, f"{where}.{one_line(str(key)[:_SHOWN])}".lstrip("."))


def shape_problems(
    validator: Draft202012Validator, data: Mapping[str, Any], example: str
) -> Iterator[SiteProblem]:
    """Where `data` does not have the shape of the schema; `example` says where a good file is to be seen."""
    errors = islice(validator.iter_errors(data), MOST_PROBLEMS)
    ordered = sorted(errors, key=lambda error: [str(step) for step in error.absolute_path])
    yield from dict.fromkeys(_explain(error, example) for error in ordered)


def _as_toml(value: Any) -> str:
    """A value as it is written in the file, cut where it is long; a table or a list by its kind alone."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        shown = one_line(value[:_SHOWN])
        return f'"{shown}..."' if len(value) > _SHOWN else f'"{shown}"'
    return one_line(str(value))[:_SHOWN]


def _choice(allowed: Sequence[Any]) -> str:
    named = [_as_toml(one) for one in allowed]
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} or {named[-1]}"


def _explain(error: Any, example: str) -> SiteProblem:
    where = ".".join(one_line(str(step)[:_SHOWN]) for step in error.absolute_path) or "the file"
    seen = _as_toml(error.instance)
    meaning = error.schema.get("description", "") if isinstance(error.schema, dict) else ""
    about = f"It is: {meaning}" if meaning else example
    match error.validator:
        case "required":
            missing = sorted(set(error.validator_value) - set(error.instance))
            return SiteProblem(where, f"{' and '.join(missing)} missing", "Add what is missing")
        case "additionalProperties":
            extra = sorted(set(error.instance) - set(error.schema["properties"]))
            names = " and ".join(_as_toml(name) for name in extra[:5])
            more = f" and {len(extra) - 5} more" if len(extra) > 5 else ""
            known = list(error.schema["properties"])
            near = get_close_matches(extra[0], known) if len(extra) == 1 else []
            advice = f'Did you mean "{near[0]}"?' if near else f"Known keys: {', '.join(known)}"
            return SiteProblem(where, f"unknown key {names}{more}", advice)
        case "not":
            return SiteProblem(
                where, f"{seen} has a character that no name may have", "Use A-Z a-z 0-9 and '-'"
            )
        case "enum" | "const":
            allowed = error.validator_value if error.validator == "enum" else [error.validator_value]
            return SiteProblem(where, f"expected {_choice(allowed)}, got {seen}", about)
        case "type":
            wanted = _KINDS[error.validator_value]
            return SiteProblem(where, f"expected {wanted}, got {seen}", about)
        case "minimum" | "maximum":
            least, most = error.schema.get("minimum"), error.schema.get("maximum")
            return SiteProblem(where, f"expected {least} to {most}, got {seen}", about)
        case _:
            return SiteProblem(where, one_line(str(error.message)[:300]), about)
