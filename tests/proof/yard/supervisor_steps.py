"""The steps of one supervisor: the shipped object, each pair of state and input done once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from protocol.participant import Delivery
from protocol.site import Site
from reference_node.snapshot.canonical import Catalogue
from reference_node.snapshot.copies import freeze, thaw
from reference_node.snapshot.how import BASE_MS
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.questions.question import LETS_GO_ON, Ask
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.yard.chance import Chance, Dealt
from tests.proof.yard.messages import Messages
from tests.proof.yard.uptimes import rebase_session

LIVES = 10
"""More boots than any supervisor has in a run."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One open question."""

    about: str
    node: str
    place: str
    bars: tuple[str, ...]
    """Nodes whose machines may reach a person who looks for the answer."""


@dataclass(frozen=True, slots=True)
class Belief:
    """What is held to be sure of one place or spreader, and the claims that it rests on."""

    place: str
    crane: str
    slots: tuple[str, ...]
    rests_on: tuple[tuple[str, int | None, int], ...]


@dataclass(frozen=True, slots=True)
class SupervisorState:
    """One state of the supervisor, and what the exploration asks of it."""

    frozen: bytes
    boot: int
    linked: bool
    replaced: bool
    settled: bool
    """Every goal met, no order and no question open, every place sure."""
    at_rest: bool
    """As `settled`, but for the goals: no order and no question open."""
    asked: tuple[Asked, ...]
    believes: tuple[Belief, ...]
    claims: tuple[tuple[str, int | None, int], ...]
    holds: tuple[str, ...]
    jobs: tuple[str, ...]


Ended = tuple[str, int, int, str]
"""Node, boot and id of a job, and how its supervisor holds it to have ended."""


@dataclass(frozen=True, slots=True)
class SupervisorStep:
    """What came of one step."""

    after: int
    said: tuple[int, ...] = ()
    ended: tuple[Ended, ...] = ()
    wrong: str = ""


DEALS = SupervisorStep(-1)
"""A step that deals a token: what comes of it depends on those that are about."""


def _tokens(supervisor: Supervisor) -> set[int]:
    """Those that the supervisor knows."""
    sessions, holds = supervisor.sessions.values(), supervisor.holds.standing.values()
    known = [*(one for session in sessions for one in (session._token, session._claimant))]
    return {one for one in (*known, *(hold.token for hold in holds)) if one is not None}


class SupervisorSteps:
    """Every step of one supervisor, of all its lives."""

    def __init__(
        self,
        site: Site,
        name: str,
        catalogue: Catalogue,
        messages: Messages,
        goals: Sequence[Goal],
        part: int,
        kind: type[Supervisor] = Supervisor,
    ) -> None:
        self.site, self.name, self.goals, self.part = site, name, tuple(goals), part
        self._catalogue, self._messages, self._kind = catalogue, messages, kind
        self.states: list[SupervisorState] = []
        self._number: dict[Any, int] = {}
        self._done: dict[Any, SupervisorStep] = {}
        self._rebased: dict[tuple[int, str, int, int], int] = {}
        self.stepped = 0

    def started(self, boot: int, contents: tuple[tuple[str, tuple[str, ...]], ...] = ()) -> int:
        """A new life, not connected yet; `contents` is what a person says of places."""
        life = self.site.with_role("supervisor").index(self.site.nodes[self.name]) * LIVES + boot
        supervisor = self._kind(
            self.site,
            self.name,
            boot=boot,
            rng=Chance(self.part, life),  # type: ignore[arg-type]
            started_ms=BASE_MS,
            goals=self.goals,
            contents=dict(contents),
        )
        return self._keep(supervisor)

    def step(
        self, number: int, what: tuple[Any, ...], about: Callable[[], frozenset[int]] = frozenset
    ) -> SupervisorStep:
        """Do `what` in a state; `about` gives the tokens that may not be dealt, and is asked where one is."""
        found = self._done.get((number, what))
        if found is None:
            try:
                found = self._step(number, what, None)
            except Dealt:
                found = DEALS
            self._done[number, what] = found
        if found is not DEALS:
            return found
        key = (number, what, about())
        found = self._done.get(key)
        if found is None:
            found = self._done[key] = self._step(number, what, key[2])
        return found

    def _step(self, number: int, what: tuple[Any, ...], about: frozenset[int] | None) -> SupervisorStep:
        self.stepped += 1
        supervisor = thaw(self.states[number].frozen)
        for session in supervisor.sessions.values():
            session._rng.about = None if about is None else {*about, *_tokens(supervisor)}
        try:
            out = self._do(supervisor, what)
        except Dealt:
            raise
        except Exception as error:  # noqa: BLE001 - a step that fails is what is looked for
            return SupervisorStep(number, wrong=f"{self.name} fails: {error!r}")
        ended = tuple((node, sent.boot, sent.id, sent.state) for _, node, sent in supervisor.history)
        said = tuple(self._messages.number(one) for one in out)
        return SupervisorStep(self._keep(supervisor), said, ended)

    def rebased(self, number: int, node: str, boot: int, uptime: int) -> int:
        """The state in which `node`, in that boot and at that uptime, begins to count again from 0."""
        key = (number, node, boot, uptime)
        found = self._rebased.get(key)
        if found is None:
            supervisor = thaw(self.states[number].frozen)
            rebase_session(supervisor.sessions[node], boot, uptime)
            found = self._rebased[key] = self._keep(supervisor)
        return found

    def _do(self, supervisor: Supervisor, what: tuple[Any, ...]) -> Any:
        match what:
            case ("deliver", message, retain):
                one = self._messages[message].publication
                return supervisor.receive(Delivery(one.topic, one.payload, one.qos, retain), BASE_MS)
            case ("tick", after_ms):
                return supervisor.tick(BASE_MS + after_ms)
            case ("connect",):
                return supervisor.connected(BASE_MS)
            case ("disconnect",):
                supervisor.disconnected(BASE_MS)
                return []
            case ("answer", about, node, place, found):
                _answer(supervisor, about, node, place, found)
                return []
            case ("hold", node):
                supervisor.hold(node)
                return []
            case ("release", node):
                supervisor.release(node)
                return []
            case ("cancel", node):
                supervisor.cancel(node)
                return []
        raise AssertionError(what)

    def _keep(self, supervisor: Supervisor) -> int:
        snapshot = self._catalogue.snapshot(supervisor, supervisor.now_ms)
        number = self._number.get(snapshot)
        if number is None:
            number = self._number[snapshot] = len(self.states)
            self.states.append(_state(supervisor, freeze(supervisor, self._catalogue)))
        return number


def _answer(supervisor: Supervisor, about: str, node: str, place: str, found: tuple[str, ...]) -> None:
    for question in list(supervisor.questions):
        if (question.about, question.node, question.place) == (about, node, place):
            try:
                question.answer(*found)
            except ValueError:
                return  # told to the person, who says it again


def _state(supervisor: Supervisor, frozen: bytes) -> SupervisorState:
    sessions = supervisor.sessions
    rules = Rules(supervisor.look())
    asked = tuple(
        Asked(str(one.about), one.node, one.place, _bars(supervisor, rules, one))
        for one in supervisor.questions
    )
    believes = _believes(supervisor) if supervisor.was_owned and not supervisor.replaced else ()
    quiet = all(not session.open and session.owned for session in sessions.values())
    sure = all(UNSURE not in supervisor.inventory.shown(place) for place in supervisor.site.places)
    held_boxes = all(held != UNSURE for held in supervisor.inventory.spreaders.values())
    return SupervisorState(
        frozen,
        supervisor.boot,
        supervisor.linked,
        bool(supervisor.replaced),
        supervisor.finished and quiet and not asked and sure and held_boxes and supervisor.gap is None,
        supervisor.was_owned and quiet and not asked and supervisor.gap is None,
        asked,
        believes,
        tuple((name, session.boot, session.claim) for name, session in sessions.items()),
        tuple(supervisor.holds),
        tuple(name for name, session in sessions.items() if session.job is not None),
    )


def _bars(supervisor: Supervisor, rules: Rules, question: Any) -> tuple[str, ...]:
    if question.about in LETS_GO_ON or question.about == Ask.GAP:
        return ()
    site = supervisor.site
    near = {question.node, *rules.beside(question.node)} if question.node else set()
    if question.place:
        near |= {*site.cranes_reaching(question.place), site.places[question.place].node}
    return tuple(sorted(name for name in near if name))


def _believes(supervisor: Supervisor) -> tuple[Belief, ...]:
    inventory, sessions = supervisor.inventory, supervisor.sessions

    def claims(nodes: Sequence[str]) -> tuple[tuple[str, int | None, int], ...]:
        return tuple((name, sessions[name].boot, sessions[name].claim) for name in nodes)

    places = [
        Belief(place, "", tuple(inventory.shown(place)), claims(inventory.rests_on(place)))
        for place in supervisor.site.places
    ]
    return (
        *places,
        *(
            Belief("", crane, (held,), claims([crane]))
            for crane, held in inventory.spreaders.items()
            if crane not in inventory.carriages
        ),
    )
