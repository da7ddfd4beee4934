"""What a person at the crane may say while it is measured."""

from __future__ import annotations

HELP = """\
AXIS STEP      one step of one axis, in its unit: 'x 5', 'x -1', 'z 20'
raise          the hoist to its travel height, in steps
over           to where the present table has the slot, a little short of it
it [REST]      that is it: keep this position, and how much was left to go
admit [TRAIN]  let the next train in; it has to stand ready
next [TRAIN]   raise the hoist, let this train leave, then the next one in
depart         raise the hoist and let this train leave
yes            the answer to what is asked
hold           hold everything that reaches there: no emergency stop
resume         go on after that; hands clear
quit           end; what was found is kept"""

MOVING = frozenset({"raise", "over", "admit", "next", "depart", "step"})
"""Words after which something moves."""
AT_REST = frozenset({"raise", "over", "it", "next", "depart", "step"})
"""Words that are understood while a train is at rest."""


class NotUnderstood(ValueError):
    """How it has to be said."""


Word = tuple[str, tuple[str, ...]]
"""What is wanted, and what was said with it. A step is ("step", (axis, figure))."""

_MOST = {"admit": 1, "next": 1, "it": 1}
_ALONE = ("raise", "over", "depart", "yes", "hold", "resume", "quit", "help")


def word_of(line: str) -> Word | None:
    """What a line says; None for an empty one. Raises NotUnderstood."""
    parts = line.split()
    if not parts:
        return None
    name, rest = parts[0].lower(), tuple(parts[1:])
    if name in ("exit", "?"):
        name = {"exit": "quit", "?": "help"}[name]
    if name in _ALONE and not rest:
        return name, ()
    if name in _MOST and len(rest) <= _MOST[name]:
        if name == "it" and rest:
            _figure(rest[0])
        return name, rest
    if len(rest) == 1 and name not in _ALONE and name not in _MOST:
        _whole(rest[0])
        return "step", (parts[0], rest[0])
    raise NotUnderstood(f"not understood: {line.strip()[:40]!r}; say 'help'")


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise NotUnderstood(f"a step is a whole number, not {text[:20]!r}; say 'help'") from None


def _figure(text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = float("inf")
    if not abs(found) < 1000:
        raise NotUnderstood(f"what is left to go is a number, not {text[:20]!r}")
    return found
