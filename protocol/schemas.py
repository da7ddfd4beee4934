"""The schemas, compiled: closed as for a sender, open as for a receiver, and nothing is ever fetched."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any, NoReturn

from protocol.specification import specification

if TYPE_CHECKING:
    import jsonschema_rs


def opened(schema: Any) -> Any:
    """The receiver's variant of a sender's schema: fields that it does not name are allowed [ENC-09]."""
    if isinstance(schema, Mapping):
        return {
            name: opened(part)
            for name, part in schema.items()
            if name != "propertyNames" and not (name == "additionalProperties" and part is False)
        }
    return [opened(part) for part in schema] if isinstance(schema, list) else schema


@cache
def schema_set(*, closed: bool) -> dict[str, dict[str, Any]]:
    """Every schema by its URN, as they are or opened for a receiver."""
    schemas = specification().by_urn
    return {urn: dict(schema) if closed else opened(schema) for urn, schema in schemas.items()}


def schema_for(message: str, *, closed: bool) -> dict[str, Any]:
    """The schema of `message`. Raises KeyError for an unknown one."""
    return schema_set(closed=closed)[specification().messages[message]["$id"]]


def is_valid(message: str, body: Mapping[str, Any], *, closed: bool) -> bool:
    """Whether `body` is one of `message`, by the compiled validator. Raises KeyError for `message`."""
    try:
        return _compiled(message, closed).is_valid(body)
    except (
        TypeError,
        ValueError,
        OverflowError,
    ):  # Values that are none of JSON's, integers of too many digits.
        return False


MOST_ERRORS = 25
"""Errors that are looked at in one body."""


def broken_requirements(message: str, body: Mapping[Any, Any], *, closed: bool) -> tuple[str, ...]:
    """The requirements that `body` breaks, without words for them. Raises KeyError for `message`."""
    try:
        errors = list(islice(_compiled(message, closed).iter_errors(body), MOST_ERRORS))
    except (TypeError, ValueError, OverflowError):
        return ("ENC-05",)
    return tuple(dict.fromkeys(_requirement(error.schema_path, error.message) for error in errors))


def _requirement(path: list[Any], message: str) -> str:
    keyword = path[-1] if path else ""
    if keyword in _FIELDS or "propertyNames" in path or "properties" in path[-2:-1]:
        return "ENC-06"
    return "ENC-04" if keyword == "type" and message.endswith('"integer"') else "ENC-05"


_FIELDS = frozenset({"required", "dependentRequired", "additionalProperties"})


@cache
def _compiled(message: str, closed: bool) -> jsonschema_rs.Draft202012Validator:
    import jsonschema_rs

    registry = jsonschema_rs.Registry(list(schema_set(closed=closed).items()), retriever=_refuse)
    return jsonschema_rs.Draft202012Validator(
        schema_for(message, closed=closed), registry=registry, retriever=_refuse
    )


def _refuse(uri: str) -> NoReturn:
    raise ValueError(f"{uri} is not a schema of the protocol, and nothing is fetched")
