"""Values of the data model: integers, truth values, text, arrays, maps; and what stands for any other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeGuard

Value = Any
"""int | bool | str | list[Value] | dict[str | int, Value], or `Unfit` in what could not be read."""


@dataclass(frozen=True, slots=True)
class Unfit:
    """Stands for a value that the data model does not have, so that the rest can still be looked at."""

    seen: str
    """What it was, in words."""

    def __str__(self) -> str:
        return self.seen


def is_integer(value: object) -> TypeGuard[int]:
    """Whether `value` is an integer of the model; True and False are none."""
    return isinstance(value, int) and not isinstance(value, bool)


FATHOMED = 16
"""Deeper than any message may be; how much deeper is no matter."""


def depth_of(value: Any) -> int:
    """Nesting of arrays and maps, the outermost counted: 0 for a plain value.

    Counts level by level, so that no nesting can exhaust the stack, and no further than `FATHOMED`: a list may
    contain itself.
    """
    depth, level = 0, [value]
    while depth < FATHOMED:
        level = [item for item in level if isinstance(item, (list, tuple, dict))]
        if not level:
            break
        depth += 1
        level = [entry for item in level for entry in (item.values() if isinstance(item, dict) else item)]
    return depth


def is_plain(value: object) -> bool:
    """Whether `value`, whose depth is known to be small, consists of nothing but what the model has."""
    if type(value) is list:
        return all(is_plain(entry) for entry in value)
    if type(value) is dict:
        return all(type(key) in (str, int) and is_plain(entry) for key, entry in value.items())
    # Past 64 bits an integer came out of a tag.
    return type(value) in (bool, str) or (type(value) is int and -(1 << 64) <= value < 1 << 64)
