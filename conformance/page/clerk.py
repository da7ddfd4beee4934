"""Between a browser's request and the desk: checks what is asked, and has it done on the owner's thread."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from conformance.page.desk import Desk, Errand, Owner, Question, Unanswered
from conformance.page.orders import Field, NotThisWay, Offer, offers
from protocol.site import Site
from protocol.specification import specification

WAIT_S = 3.0
EVENTS_SHOWN = 30
BOX = Field("box", "box", needed=False)


class Clerk:
    """Every method blocks until the owner has answered; none may be called on the owner's own thread."""

    def __init__(self, site: Site, desk: Desk, owner: Owner) -> None:
        self._site = site
        self._desk = desk
        self._owner = owner
        self.offers: dict[tuple[str, str], Offer] = {(one.node, one.act): one for one in offers(site)}

    def do(self, asked: Mapping[str, Any]) -> str | None:
        """Do what a request asks: None when it was taken, else why not. Raises NotThisWay, Unanswered."""
        ways: dict[str, Callable[[Mapping[str, Any]], Callable[[], str | None]]] = {
            "order": self._order, "hold": self._hold, "resume": self._resume, "tell": self._tell,
            "answer": self._answer,
        }  # fmt: skip
        way = ways.get(str(asked.get("do")))
        if way is None:
            raise NotThisWay(f"'do' is one of {', '.join(ways)}")
        refused: str | None = self._done(way(asked))
        return refused

    def look(self) -> tuple[list[Question], list[str]]:
        """Open questions and the last events. Raises Unanswered."""
        found: tuple[list[Question], list[str]] = self._done(
            lambda: (list(self._desk.questions()), list(self._desk.events())[-EVENTS_SHOWN:])
        )
        return found

    def _done(self, work: Callable[[], Any]) -> Any:
        errand = Errand(work)
        try:
            self._owner(errand.do)
        except (RuntimeError, TimeoutError) as error:
            raise Unanswered(f"it was not sent: {str(error) or 'the desk does not answer'}") from error
        return errand.result(WAIT_S)

    # ------------------------------------------------------------ what may be asked
    def _order(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        offer = self.offers.get((str(asked.get("node")), str(asked.get("act"))))
        if offer is None:
            raise NotThisWay(f"{asked.get('node')!r} takes no order {asked.get('act')!r} from this page")
        given = asked.get("fields", {})
        if not isinstance(given, dict):
            raise NotThisWay("'fields' is a map of names to values")
        fields = offer.read(given)
        return lambda: self._desk.order(offer.node, offer.act, **fields)

    def _hold(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        node = self._node(asked)
        return lambda: self._desk.hold(node)

    def _resume(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        node = self._node(asked)
        return lambda: self._desk.resume(node)

    def _node(self, asked: Mapping[str, Any]) -> str:
        node = asked.get("node")
        machines = [one.name for one in self._site.nodes.values() if not one.is_supervisor]
        if node not in (specification().everyone, *machines):
            raise NotThisWay(f"there is no machine {node!r} on this site")
        return str(node)

    def _tell(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        place, slot = self._site.places.get(str(asked.get("place"))), asked.get("slot")
        if place is None:
            raise NotThisWay(f"there is no place {asked.get('place')!r} on this site")
        number = Field("slot", "slot", least=0, most=place.slots - 1).read(slot)
        box = BOX.read(asked.get("box"))
        return lambda: self._desk.tell(place.name, int(number or 0), None if box is None else str(box))

    def _answer(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        number, choice = asked.get("number"), asked.get("choice")
        if not isinstance(number, int) or not isinstance(choice, str) or len(choice) > 200:
            raise NotThisWay("an answer has the question's number and a choice of at most 200 characters")
        return lambda: self._desk.answer(number, choice)
