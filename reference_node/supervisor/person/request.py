"""What a person asks for, once it has been checked: what it would do, and how it is done.

A review and the asking itself go through the same checks, so that a review cannot promise what is then refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ready:
    """Nothing stands against it now. `do` does it; it gives None, else why it was not done after all."""

    will: str
    """What would happen, in words."""
    do: Callable[[], str | None]
    blocked: str = ""
    """Why it would have to wait, '' where nothing is in its way."""


@dataclass(frozen=True, slots=True)
class Review:
    """What would come of something that was asked for, if it were asked now."""

    refused: str | None
    """Why it would not be taken; None where it would."""
    will: str = ""
    blocked: str = ""


Prepared = Ready | str
"""Ready, or why it is refused."""


def done(asked: Prepared) -> str | None:
    """Do what was asked for: None where it was taken, else why not."""
    return asked if isinstance(asked, str) else asked.do()


def reviewed(asked: Prepared) -> Review:
    """What would come of it."""
    return Review(asked) if isinstance(asked, str) else Review(None, asked.will, asked.blocked)
