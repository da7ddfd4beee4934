"""What is wrong with the shape of a TOML file, each mistake with its place and how to mend it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from protocol.site_checks import SiteProblem

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator

_KINDS = {
    "integer": "a whole number",
    "number": "a number",
    "string": "a text",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}


class NotToml(Exception):
    """A file that is no TOML at all."""

    def __init__(self, problem: SiteProblem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def parse_toml(content: bytes) -> dict[str, Any]:
    """The tables of a TOML file. Raises NotToml."""
    try:
        return tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        problem = SiteProblem(f"byte {error.start}", "not UTF-8", "Save the file as UTF-8")
    except tomllib.TOMLDecodeError as error:
        what, _, place = str(error).partition(" (at ")
        problem = SiteProblem(place.rstrip(")") or "TOML", what, "See https://toml.io for the syntax")
    raise NotToml(problem)


def fractions(value: Any, where: str = "") -> Iterator[SiteProblem]:
    """JSON Schema takes 3.0 for an integer; the protocol knows no fractions at all [ENC-04]."""
    if isinstance(value, float):
        yield SiteProblem(where, f"{value} has a decimal point", "Use a smaller unit and a whole number")
    elif isinstance(value, (dict, list)):
        pairs = value.items() if isinstance(value, dict) else enumerate(value)
        for key, inner in pairs:
            yield from fractions(inner, f"{where}.{key}".lstrip("."))


def shape_problems(
    validator: Draft202012Validator, data: Mapping[str, Any], example: str
) -> Iterator[SiteProblem]:
    """Where `data` does not have the shape of the schema; `example` says where a good file is to be seen."""
    errors = validator.iter_errors(data)
    for error in sorted(errors, key=lambda error: [str(step) for step in error.absolute_path]):
        yield _explain(error, example)


def _explain(error: Any, example: str) -> SiteProblem:
    where = ".".join(str(step) for step in error.absolute_path) or "the file"
    meaning = error.schema.get("description", "") if isinstance(error.schema, dict) else ""
    about = f"Meant is: {meaning}" if meaning else example
    match error.validator:
        case "required":
            missing = sorted(set(error.validator_value) - set(error.instance))
            return SiteProblem(where, f"{' and '.join(missing)} missing", "Add what is missing")
        case "additionalProperties":
            extra = sorted(set(error.instance) - set(error.schema["properties"]))
            known = ", ".join(error.schema["properties"])
            return SiteProblem(where, f"{' and '.join(extra)} unknown here", f"Known are: {known}")
        case "not":
            return SiteProblem(
                where, f"{error.instance!r} has a character that no name may have", "Use A-Z a-z 0-9 and '-'"
            )
        case "enum" | "const":
            allowed = error.validator_value if error.validator == "enum" else [error.validator_value]
            return SiteProblem(where, f"{error.instance!r} is none of {', '.join(map(str, allowed))}", about)
        case "type":
            wanted = _KINDS[error.validator_value]
            return SiteProblem(where, f"{error.instance!r} stands where {wanted} belongs", about)
        case "minimum" | "maximum":
            least, most = error.schema.get("minimum"), error.schema.get("maximum")
            return SiteProblem(where, f"{error.instance} is outside {least} to {most}", about)
        case _:
            return SiteProblem(where, str(error.message), about)
