"""How one field of a participant enters its snapshot.

A participant's own clock is rebased: whatever a time is compared with is a difference, so two participants that
differ by the hour alone are in one state. `BASE_MS` is the time of every snapshot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

BASE_MS = 10_000_000


@dataclass(frozen=True, slots=True)
class Keep:
    """Part of the state, as it is."""


@dataclass(frozen=True, slots=True)
class Shared:
    """The same for the whole life of the object, given from outside, or seen elsewhere in the snapshot."""

    why: str = ""


@dataclass(frozen=True, slots=True)
class Dropped:
    """Nothing that is decided depends on it. `reset` gives what it is set to, so that a copy cannot depend on it."""

    why: str
    reset: Callable[[], Any] | None = None


@dataclass(frozen=True, slots=True)
class Since:
    """When something was: the greatest of `limits_ms` that has passed since is all that is ever asked of it."""

    limits_ms: tuple[int, ...] = ()
    per_ms: int = 1
    """Units of the field in a millisecond: 1, or 1000 for us."""

    def rebased(self, value: Any, now_ms: int) -> Any:
        """The value at `BASE_MS` that compares as `value` does at `now_ms`."""
        if value is None:
            return None
        age, passed = now_ms * self.per_ms - value, 0
        for limit in self.limits_ms:
            if passed < limit <= age / self.per_ms:
                passed = limit
        return (BASE_MS - passed) * self.per_ms


@dataclass(frozen=True, slots=True)
class Until:
    """When something will be: all that is asked for is whether it is due. What is not stands `ms` ahead."""

    ms: int
    per_ms: int = 1

    def rebased(self, value: Any, now_ms: int) -> Any:
        """The value at `BASE_MS` that is due as `value` is at `now_ms`."""
        if value is None:
            return None
        return (BASE_MS + (self.ms if value > now_ms * self.per_ms else 0)) * self.per_ms


@dataclass(frozen=True, slots=True)
class Exactly:
    """A time whose distance from now counts to the unit."""

    per_ms: int = 1

    def rebased(self, value: Any, now_ms: int) -> Any:
        """The value at `BASE_MS` as far from it as `value` is from `now_ms`."""
        return None if value is None else value + (BASE_MS - now_ms) * self.per_ms


How = Keep | Shared | Dropped | Since | Until | Exactly
KEEP = Keep()
SHARED = Shared()
