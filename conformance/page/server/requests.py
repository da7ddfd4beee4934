"""Between a browser's request and the desk: checks what is asked, and has it done on the owner's thread."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NamedTuple, TypeVar

from conformance.page.server.desk import (
    Call,
    Desk,
    Goal,
    Held,
    Owner,
    Question,
    Review,
    WithdrawnQuestion,
    done_by,
)
from conformance.page.server.goal_forms import goal_calls
from conformance.page.server.order_forms import Field, InvalidRequest, Offer, offers
from protocol.site import Site
from protocol.specification import specification

T = TypeVar("T")

WAIT_S = 3.0
EVENTS_SHOWN = 30
BOX = Field("box", "box", needed=False)


class DeskState(NamedTuple):
    """What the desk knew at one moment."""

    questions: tuple[Question, ...]
    withdrawn: tuple[WithdrawnQuestion, ...]
    held: tuple[Held, ...]
    events: tuple[str, ...]


class RequestHandler:
    """Every method blocks until the owner has answered; none may be called on the owner's own thread."""

    def __init__(self, site: Site, desk: Desk, owner: Owner) -> None:
        self._site = site
        self._desk = desk
        self._owner = owner
        self._machines = [one.name for one in site.nodes.values() if not one.is_supervisor]
        self.offers: dict[tuple[str, str], Offer] = {(one.node, one.act): one for one in offers(site)}

    def do(self, asked: Mapping[str, Any]) -> str | None:
        """Do what a request asks: None when it was taken, else why not. Raises InvalidRequest, Unanswered."""
        ways: dict[str, Callable[[Mapping[str, Any]], Callable[[], str | None]]] = {
            "hold": self._hold, "resume": self._resume,
        }  # fmt: skip
        calls = self._calls()
        what = str(asked.get("do"))
        if what not in ways and what not in calls:
            raise InvalidRequest(f"'do' is one of {', '.join((*ways, *calls))}")
        work = ways[what](asked) if what in ways else partial(calls[what](asked).do, self._desk)
        return self._done(work)

    def review(self, asked: Mapping[str, Any]) -> Review:
        """What would come of what a request asks, by the desk's own checks. Raises InvalidRequest, Unanswered."""
        calls = self._calls()
        what = str(asked.get("do"))
        if what not in calls:
            raise InvalidRequest(f"to be looked at, 'do' is one of {', '.join(calls)}")
        call = calls[what](asked)
        return self._done(lambda: call.review(self._desk))

    def goals(self) -> list[Goal]:
        """What is still to be met, in order. Raises Unanswered."""
        return self._done(lambda: list(self._desk.goals()))

    def _calls(self) -> dict[str, Callable[[Mapping[str, Any]], Call]]:
        return {"order": self._order, "tell": self._tell, "answer": self._answer, **goal_calls(self._site)}

    def look(self) -> DeskState:
        """What the desk knows now. Raises Unanswered."""
        desk = self._desk
        return self._done(
            lambda: DeskState(
                tuple(desk.questions()),
                tuple(desk.withdrawn()),
                tuple(desk.held()),
                tuple(desk.events())[-EVENTS_SHOWN:],
            )
        )

    def _done(self, work: Callable[[], T]) -> T:
        return done_by(self._owner, work, WAIT_S)

    # ------------------------------------------------------------ what may be asked
    def _order(self, asked: Mapping[str, Any]) -> Call:
        offer = self.offers.get((str(asked.get("node")), str(asked.get("act"))))
        if offer is None:
            raise InvalidRequest(f"{asked.get('node')!r} takes no order {asked.get('act')!r} from this page")
        given = asked.get("fields", {})
        if not isinstance(given, dict):
            raise InvalidRequest("'fields' is a map of names to values")
        fields = offer.read(given)
        return Call("order", (offer.node, offer.act), fields)

    def _hold(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        node = asked.get("node")
        self._check(node, specification().everyone, *self._machines)
        return lambda: self._desk.hold(str(node))

    def _resume(self, asked: Mapping[str, Any]) -> Callable[[], str | None]:
        """Each node by its name: whoever presses has seen which."""
        nodes = asked.get("nodes")
        if not isinstance(nodes, list) or not nodes:
            raise InvalidRequest("'nodes' is a list of the machines that may go on, each by its name")
        for node in nodes:
            self._check(node, *self._machines)
        return lambda: self._desk.resume(*nodes)

    def _check(self, node: object, *known: str) -> None:
        if node not in known:
            raise InvalidRequest(f"there is no machine {node!r} on this site")

    def _tell(self, asked: Mapping[str, Any]) -> Call:
        place, slot = self._site.places.get(str(asked.get("place"))), asked.get("slot")
        if place is None:
            raise InvalidRequest(f"there is no place {asked.get('place')!r} on this site")
        number = Field("slot", "slot", least=0, most=place.slots - 1).read(slot)
        box = BOX.read(asked.get("box"))
        return Call("tell", (place.name, int(number or 0), None if box is None else str(box)))

    def _answer(self, asked: Mapping[str, Any]) -> Call:
        number, choice = asked.get("number"), asked.get("choice")
        if type(number) is not int or not isinstance(choice, str) or len(choice) > 200:
            raise InvalidRequest("an answer has the question's number and a choice of at most 200 characters")
        return Call("answer", (number, choice))
