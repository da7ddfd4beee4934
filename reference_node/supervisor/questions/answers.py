"""What an answer does: it becomes knowledge of boxes, an order that resets a fault, or leave to go on."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from protocol.site import Site
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.questions.question import Ask
from reference_node.supervisor.send.holds import Holds
from reference_node.supervisor.send.outage import Outage


class Answers:
    """Takes answers over. Each method raises ValueError for an answer that does not fit, and changes nothing then."""

    def __init__(
        self,
        site: Site,
        sessions: Mapping[str, Session],
        inventory: Inventory,
        holds: Holds,
        outage: Outage,
        now_ms: Callable[[], int],
    ) -> None:
        self._site, self._sessions, self._inventory = site, sessions, inventory
        self._holds, self._outage, self._now_ms = holds, outage, now_ms

    def take(self, about: Ask, node: str, place: str, found: tuple[str, ...]) -> None:
        """Do what follows from `found`, the answer to a question about a node or place."""
        match about:
            case Ask.TRACK:
                _expect(found, 0, "a track that has been found empty is answered without words")
                self._reset_fault(node, found="none")
                self._inventory.clear_track(place)
            case Ask.SHUTTLE:
                self._shuttle(node, found)
            case Ask.SPREADER:
                self._spreader(node, found)
            case Ask.SLOTS:
                self._inventory.tell(place, found)
            case Ask.FAULT:
                _expect(found, 0, "a fault that is fixed is answered without words")
                self._reset_fault(node)
            case Ask.HELD:
                _expect(found, 0, "work that may go on is answered without words")
                why = self._holds.release(node, self._now_ms())
                if why:
                    raise ValueError(why)
            case Ask.GAP:
                _expect(found, 0, "work that may go on is answered without words")
                self._outage.go_on(self._now_ms())

    def _shuttle(self, node: str, found: tuple[str, ...]) -> None:
        _expect(found, 1, "a shuttle stands at one place")
        shuttle = self._site.nodes[node].shuttle
        stops = shuttle.stops if shuttle is not None else ()
        if found[0] not in stops:
            raise ValueError(f"{node} serves {', '.join(stops)}, not {found[0]!r}")
        self._reset_fault(node, place=found[0])

    def _spreader(self, node: str, found: tuple[str, ...]) -> None:
        _expect(found, 1, "a spreader holds one box, or '-' for nothing")
        crane = self._sessions[node].word("crane-status")
        if crane is not None and (crane["load"] == "unsure" or crane["mode"] == "faulted"):
            self._reset_fault(node, found="box" if found[0] else "none")
        self._inventory.tell_spreader(node, found[0])

    def _reset_fault(self, node: str, **fields: str) -> None:
        session = self._sessions[node]
        if not session.owned:
            raise ValueError(f"{node} is not there now; answer again when it is")
        fault = session.word("fault")
        if fault is None:
            raise ValueError(f"{node} has not told its fault count yet; answer again in a moment")
        session.order("reset-fault", self._now_ms(), faults=fault["faults"], **fields)


def _expect(found: tuple[str, ...], count: int, what: str) -> None:
    if len(found) != count:
        raise ValueError(f"{what}; got {found!r}")
