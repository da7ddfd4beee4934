"""The steps of one supervisor: the shipped object, each pair of state and input done once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from protocol.participant import Delivery
from protocol.site import Site
from reference_node.snapshot.canonical import Catalogue
from reference_node.snapshot.copies import freeze, release, thaw
from reference_node.snapshot.how import BASE_MS
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.questions.question import LETS_GO_ON, Ask
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.yard.chance import Chance
from tests.proof.yard.messages import Messages
from tests.proof.yard.uptimes import rebase_session

LIVES = 10
"""More boots than any supervisor has in a run."""
MOST_LIVE = 4_000
"""So many of the newest states have the object at hand that came to them: it can go on without being made again."""


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
    """What the exploration asks of one state of the supervisor."""

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
        self._live: dict[int, Supervisor] = {}
        self._frozen: dict[int, bytes] = {}
        self._made: dict[int, tuple[Any, ...]] = {}
        """What was done to come to a state that nobody has had to go on from a second time."""
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
        return self._keep(supervisor, ())

    def step(
        self, number: int, what: tuple[Any, ...], about: Callable[[], frozenset[int]] = frozenset
    ) -> SupervisorStep:
        """Do `what` in a state; `about` gives the tokens that may not be dealt, and is asked where one is."""
        found = self._done.get((number, what))
        if found is DEALS:
            found = self._done.get((number, what, about()))
        return found if found is not None else self._step(number, what, about)

    def _step(
        self, number: int, what: tuple[Any, ...], about: Callable[[], frozenset[int]]
    ) -> SupervisorStep:
        self.stepped += 1
        supervisor = self._taken(number)
        lent = self._lend(supervisor, about)
        try:
            out = self._do(supervisor, what)
        except Exception as error:  # noqa: BLE001 - a step that fails is what is looked for
            release(supervisor)
            done = SupervisorStep(number, wrong=f"{self.name} fails: {error!r}")
        else:
            ended = tuple((node, sent.boot, sent.id, sent.state) for _, node, sent in supervisor.history)
            said = tuple(self._messages.number(one) for one in out)
            after = self._keep(supervisor, ("step", number, what, *lent))
            done = SupervisorStep(after, said, ended)
        self._done[number, what] = DEALS if lent else done
        self._done[number, what, *lent] = done
        return done

    def _lend(self, supervisor: Any, about: Callable[[], frozenset[int]]) -> list[frozenset[int]]:
        """Have the supervisor draw what is not about. The list gets what was, once a token is drawn."""
        known, lent = _tokens(supervisor), list[frozenset[int]]()

        def lend() -> set[int]:
            lent.append(about())
            return {*lent[0], *known}

        for session in supervisor.sessions.values():
            session._rng.lend = lend
        return lent

    def rebased(self, number: int, node: str, boot: int, uptime: int) -> int:
        """The state in which `node`, in that boot and at that uptime, begins to count again from 0."""
        key = (number, node, boot, uptime)
        found = self._rebased.get(key)
        if found is None:
            supervisor = self._taken(number, again=False)
            rebase_session(supervisor.sessions[node], boot, uptime)
            found = self._rebased[key] = self._keep(supervisor, ("rebase", *key))
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

    def _taken(self, number: int, *, again: bool = True) -> Any:
        """An object in that state, for the caller to go on with. `again`: it will be asked for more than once."""
        supervisor = self._live.pop(number, None)
        if number in self._frozen:
            return supervisor if supervisor is not None else thaw(self._frozen[number])
        if supervisor is None:
            supervisor = self._made_again(number)
        if again:
            self._frozen[number] = freeze(supervisor, self._catalogue)
        return supervisor

    def _made_again(self, number: int) -> Any:
        """What came to that state, done once more."""
        kind, before, *more = self._made[number]
        supervisor = self._taken(before)
        if kind == "rebase":
            node, boot, uptime = more
            rebase_session(supervisor.sessions[node], boot, uptime)
        else:
            self._lend(supervisor, lambda: more[1])
            self._do(supervisor, more[0])
        self._catalogue.snapshot(supervisor, supervisor.now_ms)
        return supervisor

    def _keep(self, supervisor: Supervisor, made: tuple[Any, ...]) -> int:
        """The number of the state that `supervisor` is in, which is not the caller's any more."""
        snapshot = self._catalogue.snapshot(supervisor, supervisor.now_ms)
        number = self._number.get(snapshot)
        if number is None:
            number = self._number[snapshot] = len(self.states)
            self.states.append(_state(supervisor))
            self._made[number] = made
            if not made:
                self._frozen[number] = freeze(supervisor, self._catalogue)
        elif number in self._live or number in self._frozen:
            release(supervisor)
            return number
        self._live[number] = supervisor
        if len(self._live) > MOST_LIVE:
            release(self._taken(next(iter(self._live))))
        return number


def _answer(supervisor: Supervisor, about: str, node: str, place: str, found: tuple[str, ...]) -> None:
    for question in list(supervisor.questions):
        if (question.about, question.node, question.place) == (about, node, place):
            try:
                question.answer(*found)
            except ValueError:
                return  # told to the person, who says it again


def _state(supervisor: Supervisor) -> SupervisorState:
    sessions = supervisor.sessions
    rules = Rules(supervisor.look()) if supervisor.questions else None
    asked = tuple(
        Asked(str(one.about), one.node, one.place, _bars(supervisor, rules, one))
        for one in supervisor.questions
        if rules is not None
    )
    believes = _believes(supervisor) if supervisor.was_owned and not supervisor.replaced else ()
    quiet = all(not session.open and session.owned for session in sessions.values())
    sure = all(UNSURE not in supervisor.inventory.shown(place) for place in supervisor.site.places)
    held_boxes = all(held != UNSURE for held in supervisor.inventory.spreaders.values())
    return SupervisorState(
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
