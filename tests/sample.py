"""Grids that repeat one kind of test: a fixed sample runs in CI, all the others by `make exhaustive`."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TypeVar

import pytest
from _pytest.mark import ParameterSet

T = TypeVar("T")


def sampled(values: Iterable[T], kept: Collection[T]) -> list[ParameterSet]:
    """Values for `parametrize`; those that are not among `kept` are marked `exhaustive`. Nothing unknown is kept."""
    values = list(values)
    assert kept, "an empty sample tests nothing"
    assert all(one in values for one in kept), "kept, but no value of this grid"
    return [
        pytest.param(one, marks=() if one in kept else pytest.mark.exhaustive, id=_id(one)) for one in values
    ]


def _id(value: object) -> str:
    return "-".join(map(str, value)) if isinstance(value, tuple) else str(value)
