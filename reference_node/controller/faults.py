"""The register of what is wrong with a node: active faults, the last change, the count of the bad ones."""

from __future__ import annotations

from typing import Any

from protocol.counting import next_count
from protocol.specification import specification

MOST_ACTIVE = 8


class FaultRegister:
    """Faults by code. `count` counts those of level halt in this boot [FLT-01]."""

    def __init__(self) -> None:
        self.active: list[str] = []
        self.count = 0
        self._changed: dict[str, Any] = {}

    def raise_(self, code: str, *, part: str | None = None, job: int | None = None) -> None:
        """A fault came, or came again; `job` is the one it ended."""
        if code not in self.active and len(self.active) < MOST_ACTIVE:
            self.active.append(code)
        if self.counts(code):
            self.count = next_count(self.count)
        self._change(code, part, job)

    def clear(self, code: str) -> None:
        """A fault went."""
        if code in self.active:
            self.active.remove(code)
            self._change(code, None, None)

    def counts(self, code: str) -> bool:
        """Whether the fault is one of level halt [FLT-02, FLT-03]."""
        return specification().fault_level(code) == "halt"

    @property
    def halted(self) -> bool:
        """Whether a fault of level halt stands."""
        return any(specification().fault_level(code) == "halt" for code in self.active)

    def body(self) -> dict[str, Any]:
        """The fault message without its envelope."""
        return {"active": list(self.active), "faults": self.count, **self._changed}

    def _change(self, code: str, part: str | None, job: int | None) -> None:
        said = {"changed": code, "level": specification().fault_level(code), "part": part, "job": job}
        self._changed = {name: value for name, value in said.items() if value is not None}


class BadMessages:
    """Makes of any flood of rubbish at most one fault in `bad_message_gap` [ENC-11]."""

    def __init__(self) -> None:
        self._last_ms: int | None = None
        self._waits = False

    def came(self) -> None:
        """Something came that could not be read."""
        self._waits = True

    @property
    def due_ms(self) -> int | None:
        """From when on the fault may be raised; None where there is nothing to raise."""
        if not self._waits:
            return None
        least = specification().timing["bad_message_gap"].least
        assert least is not None
        return 0 if self._last_ms is None else self._last_ms + least

    def take(self, now_ms: int) -> bool:
        """Whether to raise the fault now; if so, the gap begins again."""
        due = self.due_ms
        if due is None or now_ms < due:
            return False
        self._waits, self._last_ms = False, now_ms
        return True
