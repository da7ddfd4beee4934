"""What is said of a node that will move, and the yes that is waited for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from conformance.commands.conform import walking
from conformance.commands.options import consent
from conformance.commands.terminal.progress import duration

if TYPE_CHECKING:
    from collections.abc import Iterable

    from conformance.bench.connection.address import Address
    from conformance.commands.conform.settings import Settings
    from conformance.suite.case import Case
    from conformance.tester.resume import Resumed
    from protocol.site import Site

LEAST_S = 10.0
"""What takes less needs no word."""


def allow_motion(settings: Settings, site: Site, bus: Address | None, resumed: Resumed | None = None) -> None:
    """Say what will move and wait for a yes. Raises Trouble without one.

    Of a run that goes on only what is run now is said to move.
    """
    from conformance.tester.runner import with_prerequisites

    roles = set(site.nodes[settings.node].roles)
    chosen = with_prerequisites(walking.known_cases(), settings.only or None, roles)
    if resumed is not None:
        chosen = [case for case in chosen if resumed.acts_again(case)]
    moving = [case for case in chosen if case.moves and roles & set(case.roles)]
    walked = walking.told(site, settings.node, settings.walk, chosen, motion=settings.motion)
    what = f"{len(moving)} cases move" if len(moving) > 1 else "1 case moves" if moving else "The walk moves"
    consent.require_for_a_node(
        settings.node,
        f"{what} the {' and '.join(sorted(roles))} {settings.node!r}.{_time(settings, site, chosen)}{walked}",
        bus,
        spawned=settings.spawn,
        moves=settings.motion and bool(moving or walked),
        yes=settings.yes,
        instead="run it with --no-motion to judge what moves nothing",
    )


def _time(settings: Settings, site: Site, chosen: Iterable[Case]) -> str:
    """How long the whole run is known to take, which is what has to be waited for."""
    seconds = whole_run_s(site, settings.node, settings.walk, chosen)
    return f" The whole run takes about {duration(seconds)}." if seconds >= LEAST_S else ""


def whole_run_s(site: Site, node: str, walk: int, chosen: Iterable[Case]) -> float:
    """How long a run of these cases over a node is known to take, with the walk if it is one of them."""
    from conformance.commands.conform.time_left import TimeLeft, lengths
    from conformance.tester.walk.walk_case import ID as WALK

    roles = site.nodes[node].roles
    cases = [case for case in chosen if set(case.roles) & set(roles) and not (case.id == WALK and not walk)]
    walks = any(case.id == WALK for case in cases)
    walk_s = walking.foreseen(site, node, walk).seconds if walks else None
    return TimeLeft(lengths(cases, roles, walk_s)).seconds
