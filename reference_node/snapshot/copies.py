"""Copies of a participant: kept as bytes, made again as often as it has to go on from there.

What never changes (the site, the specification's tables and their guards, functions) is not copied: a copy refers
to it.
"""

from __future__ import annotations

import io
import pickle
from types import FunctionType, MappingProxyType
from typing import Any

from protocol.state_machine import StateMachine
from reference_node.snapshot.canonical import Catalogue

_kept: dict[int, object] = {}


def _the_same(key: int) -> object:
    return _kept[key]


def _refer(value: object) -> tuple[object, ...]:
    _kept[id(value)] = value
    return _the_same, (id(value),)


def _machine(table: int, guards: int, state: str) -> StateMachine:
    return StateMachine(_kept[table], _kept[guards], state)  # type: ignore[arg-type]


class _Pickler(pickle.Pickler):
    def __init__(self, file: io.BytesIO, catalogue: Catalogue) -> None:
        super().__init__(file, protocol=5)
        self._catalogue = catalogue

    def reducer_override(self, value: Any) -> Any:
        kind = type(value)
        nameless = kind is FunctionType and "<" in value.__qualname__
        if nameless or self._catalogue.is_shared(kind):
            return _refer(value)
        if kind is StateMachine:
            _kept[id(value.table)], _kept[id(value._guards)] = value.table, value._guards
            return _machine, (id(value.table), id(value._guards), value.state)
        if kind is MappingProxyType:
            return MappingProxyType, (dict(value),)
        return NotImplemented


def freeze(participant: object, catalogue: Catalogue) -> bytes:
    """The participant as bytes, good for `thaw` in this process alone."""
    file = io.BytesIO()
    _Pickler(file, catalogue).dump(participant)
    return file.getvalue()


def thaw(frozen: bytes) -> Any:
    """A participant that goes on where the frozen one was."""
    return pickle.loads(frozen)
