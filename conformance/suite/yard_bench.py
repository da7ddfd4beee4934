"""The bench of a supervisor as cases use it: a bench with a simulated node for every other node of the site."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence

from conformance.peers.node import SimulatedNode
from conformance.peers.yard import Incident
from conformance.suite.bench import Bench
from conformance.suite.brief import Brief
from protocol.participant import Participant, Publication


class YardBench(Bench):
    """A bench whose node under test is a supervisor, with simulated nodes for all the others."""

    _nodes: Mapping[str, SimulatedNode]

    @property
    def nodes(self) -> Mapping[str, SimulatedNode]:
        """The simulated nodes by name. They are changed only within `disturb`."""
        return self._nodes

    def disturb(self, name: str, incident: Incident) -> None:
        """Let something happen to a node, between two things that it does; what it says goes out by its link."""

        def work(_participant: Participant, now_ms: int) -> Sequence[Publication]:
            return incident(self._nodes[name], now_ms) or ()

        self._call(name, work)

    @abstractmethod
    def _call(self, name: str, work: Callable[[Participant, int], Sequence[Publication]]) -> None:
        """Do a piece of work where the node's own is done, and publish what it gives."""

    def failure(self) -> str:
        """How the program of the supervisor has failed, where the bench can tell; else ''."""
        return ""

    @abstractmethod
    def restart_with(self, brief: Brief) -> None:
        """Start the supervisor again as the brief says. Raises Unclear where nobody can."""
