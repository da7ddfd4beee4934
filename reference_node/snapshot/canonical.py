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
from typing import Any, NamedTuple

from reference_node.snapshot.how import Dropped, How, Keep, Shared

Canonical = Any
_PLAIN = frozenset((str, int, float, bool, bytes, type(None)))
_CODE = frozenset((FunctionType, MethodType, BuiltinMethodType, partial, type))


class Unclassed(TypeError):
    """A field that nobody has said of whether it is part of the state."""


@dataclass(frozen=True, slots=True)
class Plan:
    """How the fields of one class enter a snapshot; `prepare` rebases what no field can by itself."""

    fields: Mapping[str, How]
    prepare: Callable[[Any, int], None] | None = None


class Merged(NamedTuple):
    """The plan of a class with those of its bases."""

    kept: Callable[[Any], tuple[Any, ...]]
    others: Sequence[tuple[str, How]]
    prepares: Sequence[Callable[[Any, int], None]]
    names: frozenset[str]
    """Of all fields that somebody has classed."""


class Catalogue:
    """The plans of all classes that a participant consists of; a subclass has those of its bases."""

    def __init__(self, plans: Mapping[type, Plan], shared: tuple[type, ...]) -> None:
        self._plans = dict(plans)
        self._shared = frozenset(shared)
        self.merged: dict[type, Merged] = {}
        """The plans that have been needed so far."""

    def with_plans(self, plans: Mapping[type, Plan]) -> Catalogue:
        """This catalogue and more."""
        return Catalogue({**self._plans, **plans}, tuple(self._shared))

    @property
    def plans(self) -> Mapping[type, Plan]:
        """Every plan by class."""
        return MappingProxyType(self._plans)

    @property
    def shared(self) -> frozenset[type]:
        """Classes whose objects never change."""
        return self._shared

    def snapshot(self, participant: object, now_ms: int) -> Canonical:
        """The state of `participant`, whose clock says `now_ms`; rebases it. Raises Unclassed."""
        return _Walk(self, now_ms).of(participant)

    def plan_of(self, value: object) -> Merged:
        """What of an object enters its snapshot or is reset, and what prepares it. Raises Unclassed."""
        kind = type(value)
        merged = self.merged.get(kind)
        if merged is None:
            merged = self.merged[kind] = self._merge(kind)
        if hasattr(value, "__dict__") and not vars(value).keys() <= merged.names:
            unknown = sorted(vars(value).keys() - merged.names)
            raise Unclassed(f"{kind.__module__}.{kind.__qualname__}: {', '.join(unknown)}")
        return merged

    def _merge(self, kind: type) -> Merged:
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
        return Merged(_all_of(kept), others, prepares, frozenset(fields))


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
    """One walk over a participant. It is done for every step of an exploration: whatever can be known of a class
    stands in its plan, and plain values are told apart before anything is called for them.
    """

    __slots__ = ("_catalogue", "_now_ms", "_seen", "_shared")

    def __init__(self, catalogue: Catalogue, now_ms: int) -> None:
        self._catalogue, self._now_ms, self._shared = catalogue, now_ms, catalogue.shared
        self._seen: dict[int, int] = {}

    def of(self, value: Any) -> Canonical:
        kind = type(value)
        if kind in _PLAIN:
            return value
        if kind is dict or kind is MappingProxyType:
            return tuple([(key, one if type(one) in _PLAIN else self.of(one)) for key, one in value.items()])
        if kind is tuple or kind is list or kind is deque:
            return tuple([one if type(one) in _PLAIN else self.of(one) for one in value])
        if kind in self._catalogue.merged:
            return self._object(value)
        if kind is set or kind is frozenset:
            return frozenset(value)
        if kind in _CODE or kind in self._shared:
            return None
        if issubclass(kind, Enum):
            return value.value
        return None if issubclass(kind, type) else self._object(value)

    def _object(self, value: Any) -> Canonical:
        before = len(self._seen)
        number = self._seen.setdefault(id(value), before)
        if number != before:
            return ("again", number)
        kept, others, prepares, _ = self._catalogue.plan_of(value)
        now_ms = self._now_ms
        for prepare in prepares:
            prepare(value, now_ms)
        told = [one if type(one) in _PLAIN else self.of(one) for one in kept(value)]
        for name, how in others:
            if type(how) is Dropped:
                object.__setattr__(value, name, how.reset())  # type: ignore[misc]
            else:
                rebased = how.rebased(getattr(value, name), now_ms)  # type: ignore[union-attr]
                object.__setattr__(value, name, rebased)
                told.append(rebased)
        return tuple(told)
