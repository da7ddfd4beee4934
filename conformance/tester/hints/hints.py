"""What is mostly behind a breach, as far as it fits what was seen: `causes.toml` names requirement and situation."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources

from conformance.oracle.link_log import Log
from conformance.suite.verdict import Broken
from conformance.tester.hints.failed_job import failed_by
from conformance.tester.hints.in_messages import IN_MESSAGES
from conformance.tester.hints.of_jobs import OF_JOBS
from conformance.tester.hints.of_orders import OF_ORDERS
from conformance.tester.hints.on_the_link import ON_THE_LINK
from conformance.tester.hints.scene import Scene

ANY = "any"
"""The key of what may be behind a breach of any requirement."""


@dataclass(frozen=True, slots=True)
class Hint:
    """One likely cause; `when` names the situation that it fits, '' where every breach of its requirement is one."""

    text: str
    when: str = ""


SITUATIONS: dict[str, Callable[[Scene], bool]] = {
    "": lambda _scene: True,
    **ON_THE_LINK,
    **IN_MESSAGES,
    **OF_ORDERS,
    **OF_JOBS,
}
"""Each situation by its name, with how it is told from others."""


@cache
def hints() -> dict[str, tuple[Hint, ...]]:
    """Every hint by its requirement, and under ANY those for all."""
    text = resources.files(__package__).joinpath("causes.toml").read_text(encoding="utf-8")
    return {
        id_: tuple(Hint(one) if isinstance(one, str) else Hint(one["text"], one["when"]) for one in told)
        for id_, told in tomllib.loads(text).items()
    }


@dataclass(frozen=True, slots=True)
class Explained:
    """What was seen in a breach, in words, and what is mostly behind it."""

    seen: str
    causes: tuple[str, ...]


def of_breach(broken: Broken, log: Log) -> Explained:
    """What was seen and the likely causes that fit it, those of a certain situation first.

    Where a fault has ended the job that was to come to its end, that fault stands in front and is the only cause: what
    the case is about never took place.
    """
    scene = Scene(broken, log)
    failed = failed_by(scene)
    if failed is not None:
        no_more = broken.seen == "failed" or "state 'failed'" in broken.seen
        return Explained(failed.told if no_more else f"{failed.told}; {broken.seen}", (failed.cause,))
    told = (*hints().get(broken.requirement, ()), *hints().get(ANY, ()))
    found = [one for one in told if SITUATIONS[one.when](scene)]
    return Explained(broken.seen, tuple(one.text for one in sorted(found, key=lambda one: not one.when)))
