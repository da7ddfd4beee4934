"""Copies of a participant: kept as bytes, made again as often as it has to go on from there.

What never changes (the site, the specification's tables and their guards, functions) is not copied: a copy refers
to it.
"""

from __future__ import annotations

import dataclasses
import io
import pickle
from collections.abc import Callable
from types import FunctionType, MappingProxyType
from typing import Any
from weakref import WeakKeyDictionary

from protocol.state_machine import StateMachine
from reference_node.snapshot.canonical import Catalogue

Reduced = tuple[Callable[..., Any], tuple[Any, ...]]
Reduce = Callable[[Any], Reduced]

_kept: dict[int, object] = {}
_ways: WeakKeyDictionary[Catalogue, dict[type, Reduce]] = WeakKeyDictionary()


def _the_same(key: int) -> object:
    return _kept[key]


def _refer(value: object) -> Reduced:
    _kept[id(value)] = value
    return _the_same, (id(value),)


def _machine(table: int, guards: int, state: str) -> StateMachine:
    return StateMachine(_kept[table], _kept[guards], state)  # type: ignore[arg-type]


def _reduce_machine(machine: StateMachine) -> Reduced:
    _kept[id(machine.table)], _kept[id(machine._guards)] = machine.table, machine._guards
    return _machine, (id(machine.table), id(machine._guards), machine.state)


def _reduce_proxy(proxy: MappingProxyType[Any, Any]) -> Reduced:
    return MappingProxyType, (dict(proxy),)


def _reduce_frozen(value: Any) -> Reduced:
    """A frozen data class is made again by its own arguments: what it brings along to be pickled is slow."""
    return type(value), tuple([getattr(value, name) for name in value.__slots__])


def _is_remade(kind: type) -> bool:
    if not dataclasses.is_dataclass(kind) or not kind.__dataclass_params__.frozen:  # type: ignore[attr-defined]
        return False
    names = tuple(field.name for field in dataclasses.fields(kind) if field.init)
    return names == kind.__dict__.get("__slots__") and not hasattr(kind, "__post_init__")


def _ways_of(catalogue: Catalogue) -> dict[type, Reduce]:
    found = _ways.get(catalogue)
    if found is None:
        found = _ways[catalogue] = {
            **{kind: _reduce_frozen for kind in catalogue.plans if _is_remade(kind)},
            **dict.fromkeys(catalogue.shared, _refer),
            StateMachine: _reduce_machine,
            MappingProxyType: _reduce_proxy,
        }
    return found


class _Pickler(pickle.Pickler):
    """With a table of its own: a method that is asked for each object costs more than all else."""

    def __init__(self, file: io.BytesIO, catalogue: Catalogue) -> None:
        super().__init__(file, protocol=5)
        self.dispatch_table = _ways_of(catalogue)


class _PicklerOfFunctions(_Pickler):
    def reducer_override(self, value: Any) -> Any:
        if type(value) is FunctionType and "<" in value.__qualname__:
            return _refer(value)
        return NotImplemented


def freeze(participant: object, catalogue: Catalogue) -> bytes:
    """The participant as bytes, good for `thaw` in this process alone."""
    for kind in (_Pickler, _PicklerOfFunctions):
        file = io.BytesIO()
        try:
            kind(file, catalogue).dump(participant)
        except (pickle.PicklingError, AttributeError):
            if kind is _PicklerOfFunctions:
                raise
        else:
            break
    return file.getvalue()


def thaw(frozen: bytes) -> Any:
    """A participant that goes on where the frozen one was."""
    return pickle.loads(frozen)


def release(participant: object) -> None:
    """Take a participant apart that nobody needs any more.

    Its parts refer to each other in circles; to wait until they are found costs more than to make it.
    """
    vars(participant).clear()
