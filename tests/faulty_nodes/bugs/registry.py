"""The planted bugs by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from reference_node.controller.controller import Controller


@dataclass(frozen=True, slots=True)
class Bug:
    """One bug: the firmware that has it, the node it runs on, and what it takes to meet it."""

    name: str
    node: str
    needs: str
    """payload | sequence (several messages in some order) | wrap (of a counter) | link (a fault of it)"""
    controller: type[Controller]


BUGS: dict[str, Bug] = {}


def bug(needs: str, *, node: str = "siding") -> Callable[[type[Controller]], type[Controller]]:
    """Enter firmware with a bug."""

    def enter(controller: type[Controller]) -> type[Controller]:
        assert controller.__name__ not in BUGS
        BUGS[controller.__name__] = Bug(controller.__name__, node, needs, controller)
        return controller

    return enter
