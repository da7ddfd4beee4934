"""The state of a participant as one nested tuple: equal exactly where the participant would go on alike.

Taking a snapshot also rebases the object to `BASE_MS` and clears what was dropped, so that whatever goes on from
it goes on from the state that was told, and from nothing else.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import partial
from operator import attrgetter
from types import BuiltinMethodType, FunctionType, MappingProxyType, MethodType
from typing import Any

from reference_node.snapshot.how import Dropped, How, Keep, Shared

Canonical = Any
_PLAIN = frozenset((str, int, float, bool, bytes, type(None)))
_CODE = (FunctionType, MethodType, BuiltinMethodType, partial, type)


class Unclassed(TypeError):
    """A field that nobody has said of whether it is part of the state."""


@dataclass(frozen=True, slots=True)
class Plan:
    """How the fields of one class enter a snapshot; `prepare` rebases what no field can by itself."""

    fields: Mapping[str, How]
    prepare: Callable[[Any, int], None] | None = None


@dataclass(frozen=True, slots=True)
class Merged:
    """The plan of a class with those of its bases."""

    kept: Callable[[Any], tuple[Any, ...]]
    others: Sequence[tuple[str, How]]
    prepares: Sequence[Callable[[Any, int], None]]


class Catalogue:
    """The plans of all classes that a participant consists of; a subclass has those of its bases."""

    def __init__(self, plans: Mapping[type, Plan], shared: tuple[type, ...]) -> None:
        self._plans = dict(plans)
        self._shared = frozenset(shared)
        self._merged: dict[type, tuple[Merged, frozenset[str]]] = {}

    def with_plans(self, plans: Mapping[type, Plan]) -> Catalogue:
        """This catalogue and more."""
        return Catalogue({**self._plans, **plans}, tuple(self._shared))

    @property
    def plans(self) -> Mapping[type, Plan]:
        """Every plan by class."""
        return MappingProxyType(self._plans)

    def is_shared(self, kind: type) -> bool:
        """Whether objects of `kind` never change."""
        return kind in self._shared

    def snapshot(self, participant: object, now_ms: int) -> Canonical:
        """The state of `participant`, whose clock says `now_ms`; rebases it. Raises Unclassed."""
        return _Walk(self, now_ms).of(participant)

    def plan_of(self, value: object) -> Merged:
        """What of an object enters its snapshot or is reset, and what prepares it. Raises Unclassed."""
        kind = type(value)
        merged = self._merged.get(kind)
        if merged is None:
            merged = self._merged[kind] = self._merge(kind)
        plan, names = merged
        unknown = getattr(value, "__dict__", {}).keys() - names
        if unknown:
            raise Unclassed(f"{kind.__module__}.{kind.__qualname__}: {', '.join(sorted(unknown))}")
        return plan

    def _merge(self, kind: type) -> tuple[Merged, frozenset[str]]:
        plans = [self._plans[base] for base in reversed(kind.__mro__) if base in self._plans]
        if not plans:
            raise Unclassed(f"{kind.__module__}.{kind.__qualname__}: no plan for this class")
        fields: dict[str, How] = {}
        for plan in plans:
            fields |= plan.fields
        slots = {name for base in kind.__mro__ for name in _slots_of(base)}
        if slots - fields.keys():
            raise Unclassed(
                f"{kind.__module__}.{kind.__qualname__}: {', '.join(sorted(slots - fields.keys()))}"
            )
        kept = [name for name, how in fields.items() if isinstance(how, Keep)]
        others = [
            (name, how) for name, how in fields.items() if not isinstance(how, Keep) and not _is_idle(how)
        ]
        prepares = [plan.prepare for plan in plans if plan.prepare is not None]
        return Merged(_all_of(kept), others, prepares), frozenset(fields)


def _all_of(names: Sequence[str]) -> Callable[[Any], tuple[Any, ...]]:
    """Gives these fields of an object, in one go."""
    if len(names) > 1:
        return attrgetter(*names)
    return lambda value: tuple(getattr(value, name) for name in names)


def _slots_of(kind: type) -> tuple[str, ...]:
    slots = kind.__dict__.get("__slots__", ())
    found = (slots,) if isinstance(slots, str) else tuple(slots)
    return tuple(name for name in found if name not in ("__dict__", "__weakref__"))


def _is_idle(how: How) -> bool:
    return isinstance(how, Shared) or (isinstance(how, Dropped) and how.reset is None)


class _Walk:
    def __init__(self, catalogue: Catalogue, now_ms: int) -> None:
        self._catalogue, self._now_ms = catalogue, now_ms
        self._seen: dict[int, int] = {}

    def of(self, value: Any) -> Canonical:
        kind = type(value)
        if kind in _PLAIN:
            return value
        if kind is tuple or kind is list or kind is deque:
            return tuple(map(self.of, value))
        if kind is dict or kind is MappingProxyType:
            return tuple([(key, one if type(one) in _PLAIN else self.of(one)) for key, one in value.items()])
        if kind is set or kind is frozenset:
            return frozenset(value)
        if isinstance(value, Enum):
            return value.value
        if isinstance(value, _CODE) or self._catalogue.is_shared(kind):
            return None
        return self._object(value)

    def _object(self, value: Any) -> Canonical:
        seen = self._seen.get(id(value))
        if seen is not None:
            return ("again", seen)
        self._seen[id(value)] = len(self._seen)
        plan = self._catalogue.plan_of(value)
        for prepare in plan.prepares:
            prepare(value, self._now_ms)
        told = [one if type(one) in _PLAIN else self.of(one) for one in plan.kept(value)]
        for name, how in plan.others:
            if type(how) is Dropped:
                object.__setattr__(value, name, how.reset())  # type: ignore[misc]
            else:
                rebased = how.rebased(getattr(value, name), self._now_ms)  # type: ignore[union-attr]
                object.__setattr__(value, name, rebased)
                told.append(rebased)
        return tuple(told)
