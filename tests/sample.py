"""Grids that repeat one kind of test: a fixed sample runs by `make quick` or in CI, all the others with more time."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Literal, TypeVar

import pytest
from _pytest.mark import ParameterSet

T = TypeVar("T")


def sampled(
    values: Iterable[T], kept: Collection[T], rest: Literal["exhaustive", "slow"] = "exhaustive"
) -> list[ParameterSet]:
    """Values for `parametrize`; those that are not among `kept` are marked with `rest`. Nothing unknown is kept.

    `exhaustive`: `make exhaustive` alone runs them. `slow`: `make test` and CI do, and `make quick` does not.
    """
    mark = getattr(pytest.mark, rest)
    values = list(values)
    assert kept, "an empty sample tests nothing"
    assert all(one in values for one in kept), "kept, but no value of this grid"
    return [pytest.param(one, marks=() if one in kept else mark, id=_id(one)) for one in values]


def _id(value: object) -> str:
    return "-".join(map(str, value)) if isinstance(value, tuple) else str(value)
