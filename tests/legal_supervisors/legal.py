"""Supervisors that differ from the reference in something that the text leaves open: all of them pass, always."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from protocol.site import Site
from protocol.site_file import scenario
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.faulty import judge
from tests.legal_nodes.legal import alarms

SITE = scenario()


@dataclass(frozen=True, slots=True)
class Legal:
    """One variant, and the cases that look at what it does otherwise."""

    name: str
    kind: type[Supervisor]
    seen_by: tuple[str, ...]
    site: Callable[[Site], Site]

    def alarms(self, *, seed: int = 1, only: tuple[str, ...] | None = None) -> dict[str, str]:
        """The cases, these or all, that speak against it or show nothing."""
        return alarms(judge(self.kind, seed=seed, only=only, site=self.site(SITE)).values())


LEGAL: dict[str, Legal] = {}


def legal(
    *seen_by: str, site: Callable[[Site], Site] = lambda site: site
) -> Callable[[type[Supervisor]], type[Supervisor]]:
    """Enter a supervisor. Its docstring says what it does otherwise."""

    def enter(kind: type[Supervisor]) -> type[Supervisor]:
        assert kind.__name__ not in LEGAL, kind.__name__
        assert kind.__doc__, f"{kind.__name__} does not say what it does otherwise"
        LEGAL[kind.__name__] = Legal(kind.__name__, kind, seen_by, site)
        return kind

    return enter
