"""The machine of a role: its table of transitions, and nothing that is not in it."""

from .tables import INITIAL, ROWS


class Machine:
    """The state of a role. Only `fire` changes it."""

    def __init__(self, role: str, on_change) -> None:
        self._rows = ROWS[role]
        self._on_change = on_change
        self.state = INITIAL[role]

    def has_row(self, event: str) -> bool:
        """Whether `event` can happen in the present state."""
        return any(row[0] == self.state and row[1] == event for row in self._rows)

    def fire(self, event: str, guard: str = "") -> bool:
        """Let `event` happen, where of the guards of its rows `guard` holds; true where the state is another now."""
        for state, named, wanted, following in self._rows:
            if state == self.state and named == event and wanted in ("", guard):
                changed = following != state
                self.state = following
                if changed:
                    self._on_change()
                return changed
        return False
