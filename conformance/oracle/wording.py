"""What was seen, in words that a person reads: no brackets and quotes of a programming language."""

from __future__ import annotations

from collections.abc import Collection, Mapping


def in_words(seen: object) -> str:
    """A value as text: `act 'home', state 'refused'` for a body, `1, 2` for several, 'nothing' for none."""
    match seen:
        case str():
            return seen
        case None:
            return "nothing"
        case bool():
            return str(seen).lower()
        case Mapping():
            return ", ".join(f"{key} {value_in_words(value)}" for key, value in seen.items()) or "nothing"
        case Collection():
            return ", ".join(map(value_in_words, seen)) or "none"
        case _:
            return str(seen)


def value_in_words(value: object) -> str:
    """One value among other words: text in quotes, several in parentheses."""
    if isinstance(value, str):
        return f"'{value}'"
    told = in_words(value)
    return f"({told})" if isinstance(value, Collection) else told
