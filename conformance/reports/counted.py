"""A number with the noun that it counts."""

from __future__ import annotations


def counted(number: int, noun: str) -> str:
    """'1 case', '2 cases'; only the last word of `noun` takes the s."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
