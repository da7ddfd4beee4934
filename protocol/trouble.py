"""The one error that a user is meant to read."""

from __future__ import annotations


class Trouble(Exception):
    """Something the user can fix: one message, and the exit code 2 ('could not run').

    Command-line code prints it and leaves; it never shows a traceback for it.
    """

    exit_code = 2

    def __init__(self, what: str, *, where: str | None = None, fix: str | None = None) -> None:
        """Say what happened, where (a file, byte, field, topic or address) and what to do about it."""
        super().__init__(what, where, fix)
        self.what = what
        self.where = where
        self.fix = fix

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f". {self.fix}" if self.fix else ""
        what = self.what.rstrip(".")
        return f"{place}{what}{advice.removeprefix('.') if what.endswith(('?', ':')) else advice}"
