"""All faulty supervisors, by name."""

from __future__ import annotations

from tests.faulty_supervisors import again, messages, ownership, work
from tests.faulty_supervisors.faulty import FAULTY

__all__ = ["FAULTY", "again", "messages", "ownership", "work"]
