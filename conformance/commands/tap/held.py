"""A node whose machine may be moving when a run over it ends early is told to hold."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from conformance.commands.held import held_at_its_end

if TYPE_CHECKING:
    from conformance.suite.fixture import Fixture


@contextmanager
def held_when_stopped(fixture: Fixture, *, moves: bool) -> Iterator[None]:
    """Where the block ends early, for whatever reason, and the machine may be moving, tell the node to hold.

    The end does not wait for it: a hold is no protection. A block that comes to its end leaves a node alone, unless it
    is at work.
    """
    from conformance.tester.held import hold, is_at_work

    if not moves:
        yield
        return
    with held_at_its_end(lambda: [hold(fixture)], "the machine", at_work=lambda: is_at_work(fixture)):
        yield
