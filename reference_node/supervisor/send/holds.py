"""The holds of one supervisor: asked for, sent, obeyed; and which nodes are held by somebody else.

A hold waits for the bus and goes out with every new connection, whatever was heard before. What is obeyed is
told by the nodes' own words alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from protocol.counting import COUNT_MODULUS
from protocol.machine_guards import silence_ms
from protocol.participant import Publication
from protocol.site import Site
from protocol.specification import STATE_OF_ROLE
from reference_node.supervisor.observe.gap import AWAY
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.send.messages import hold_for

KNOWS_REPEATS = 1
"""From this minor version on a node takes a hold that comes twice for one; about one that does not more is asked."""
SOMEBODY = "somebody else"
"""Who holds where it was not this supervisor: the bus tells nobody's name."""


class Stage(StrEnum):
    """How far a hold has come."""

    NOT_SENT = "not sent"
    SENT = "sent"
    OBEYED = "obeyed"


@dataclass(slots=True)
class OwnHold:
    """A hold of this supervisor on one node."""

    by: str
    asked_ms: int
    before: int | None
    """The node's count of holds before it; None where others hold too, or nobody knows."""
    token: int | None = None
    """What its copies carry, so that the node knows a repeat [HLD-08]; None where the next copy draws one."""
    count: int | None = None
    """The node's count of holds when the token was drawn."""
    sent: int = 0
    """Copies that went out to the node's present boot."""
    drawn: int = 0
    """How many tokens they carried."""
    sent_ms: int | None = None
    """When the newest copy went out over the present connection; None before the first."""
    obeyed_ms: int | None = None
    """Since when the node says so."""
    while_asked: bool = False
    """Whether it is there for a person who was sent to a machine, and ends by itself once nobody is [SUP-25]."""
    told: int | None = None
    """The count of holds with which a person was told that somebody else may hold too."""

    def counted(self, session: Session) -> int:
        """How often the node may count this hold: each copy, or each token where it knows a repeat [HLD-08]."""
        return self.drawn if session.minor >= KNOWS_REPEATS else self.sent

    def alone(self, count: int, session: Session) -> bool:
        """Whether nobody else can have held, by the node's own count of holds."""
        return self.before is not None and (count - self.before) % COUNT_MODULUS <= self.counted(session)

    def is_under_way(self, count: int, session: Session, now_ms: int) -> bool:
        """Whether a copy may not have come yet, by the node's count: it would cross a resume, and the node stay held.

        One that has not come for as long as a node may be silent is lost.
        """
        if self.before is None or self.sent_ms is None or now_ms - self.sent_ms > silence_ms():
            return False
        return (count - self.before) % COUNT_MODULUS < self.counted(session)

    def shows(self, session: Session) -> bool:
        """Whether the node says that it has obeyed this hold: not one of before, which a resume may be about to end."""
        return obeys(session) and (self.before is None or _count(session) != self.before)


@dataclass(frozen=True, slots=True)
class Held:
    """One node that is held, or that is to be."""

    node: str
    by: str
    for_ms: int
    """Since when: asked for, or of somebody else's hold first heard of."""
    stage: Stage
    says: str
    """All of it in words."""
    late: bool = False
    """Whether it has not reached the node yet, and a person has to know."""
    may_resume: bool = False
    """Whether a resume can be offered: the node is heard, and says that it is held."""


class Holds:
    """Every hold that stands, by node. Times are ms of the supervisor's clock."""

    def __init__(self, site: Site, sessions: Mapping[str, Session], repeat_ms: int) -> None:
        """`repeat_ms`: a hold that does not show is sent again after so long."""
        self._site, self._sessions, self._repeat_ms = site, sessions, repeat_ms
        self.linked = False
        """Whether the bus is there."""
        self.standing: dict[str, OwnHold] = {}
        self.kept: dict[str, str] = {}
        """Nodes that may not be resumed, because a person was sent there: where that is."""
        self._seen_ms: dict[str, int] = {}
        self._still: dict[str, str] = {}

    def __contains__(self, node: object) -> bool:
        """Whether this supervisor holds `node`."""
        return node in self.standing

    def __iter__(self) -> Iterator[str]:
        return iter(self.standing)

    def __len__(self) -> int:
        return len(self.standing)

    @property
    def obeyed(self) -> frozenset[str]:
        """The nodes that say that they have obeyed this supervisor's hold."""
        return frozenset(name for name, own in self.standing.items() if own.obeyed_ms is not None)

    # ------------------------------------------------------------ what is asked for
    def ask(self, node: str, by: str, now_ms: int) -> None:
        """Hold `node` until it is lifted; asked for again it is sent again."""
        own = self.standing.get(node)
        if own is not None:
            own.by, own.while_asked = by if own.while_asked else own.by, False
            own.sent_ms = own.obeyed_ms = own.token = None
            return
        self._begin(node, by, now_ms)

    def ask_for_a_person(self, node: str, where: str, now_ms: int) -> bool:
        """Hold `node` while somebody is at `where`; False where it is held by this supervisor already."""
        if node in self.standing:
            return False
        self._begin(node, f"this supervisor, for a person at {where}", now_ms)
        self.standing[node].while_asked = True
        return True

    def end_for_a_person(self, node: str, now_ms: int) -> None:
        """Nobody is sent there any more: resume `node`, unless another hold may stand, which only a person lifts."""
        own, session = self.standing[node], self._sessions[node]
        if not own.while_asked or own.obeyed_ms is None or not session.owned or not is_held(session):
            return
        count = int(state_word(session, "holds"))
        if own.is_under_way(count, session, now_ms):
            return
        if own.alone(count, session):
            self.release(node, now_ms)
        else:
            del self.standing[node]

    def _begin(self, node: str, by: str, now_ms: int) -> None:
        session = self._sessions[node]
        withdrawn = session.withdraw("resume")
        others = says_held(session) and not withdrawn
        self.standing[node] = OwnHold(by, now_ms, None if others else _count(session))
        self._still.pop(node, None)

    def release(self, node: str, now_ms: int) -> str:
        """End the hold of `node` and resume it; else why that cannot be, and it stays held.

        Where somebody else may hold too, it has to be said once more [SUP-14].
        """
        why = self.why_no_resume(node, now_ms)
        if why:
            return why
        self.standing.pop(node, None)
        session = self._sessions[node]
        session.order("resume", now_ms, holds=state_word(session, "holds"))
        return ""

    def why_no_resume(self, node: str, now_ms: int) -> str:
        """Why `node` cannot be resumed now; '' if it can. Nobody resumes what does not say that it is held.

        That somebody else may hold it too is told once for each count of holds.
        """
        session = self._sessions[node]
        if not self.linked:
            return AWAY
        if node in self.kept:
            return f"a person may be at {self.kept[node]}: answer that question first"
        own = self.standing.get(node)
        if own is not None and own.obeyed_ms is None:
            return f"the hold of {node} is not obeyed yet"
        if not says_held(session):
            return f"{node} is not held"
        if _resumes(session):
            return f"a resume of {node} is on its way"
        if not is_held(session) or not session.reachable(now_ms):
            return f"{node} is held, and cannot be asked now"
        count = int(state_word(session, "holds"))
        if own is not None and not own.alone(count, session) and own.told != count:
            own.told = count
            return f"{node} may be held by somebody else too; say it once more to lift that hold as well"
        return ""

    def resume_ended(self, node: str, reason: str) -> None:
        """A resume of `node` has its final report; `reason` as that gives it."""
        if reason == "holds-count":
            self.not_resumed(node, "a hold has come after the resume was said")

    def not_resumed(self, node: str, why: str) -> None:
        """A resume of `node` came to nothing: where it says that it is held, `why` is told with it."""
        self._still[node] = why

    # ------------------------------------------------------------ what happens
    def new_boot(self, node: str) -> None:
        """The node has forgotten every hold; this supervisor's own goes out at once [SUP-14]."""
        own = self.standing.get(node)
        if own is not None:
            own.before, own.sent, own.sent_ms, own.obeyed_ms, own.told = 0, 0, None, None, None
            own.token, own.drawn = None, 0

    def unlink(self) -> None:
        """The bus is away: what went out last may not have arrived."""
        self.linked = False
        for own in self.standing.values():
            own.sent_ms = None

    def look(self, now_ms: int) -> None:
        """Take over what the nodes say of themselves."""
        for name, session in self._sessions.items():
            if says_held(session):
                self._seen_ms.setdefault(name, now_ms)
            else:
                self._seen_ms.pop(name, None)
                self._still.pop(name, None)
            own = self.standing.get(name)
            if own is not None and own.sent_ms is not None:
                shown = own.shows(session)
                own.obeyed_ms = (own.obeyed_ms if own.obeyed_ms is not None else now_ms) if shown else None

    def due(self, now_ms: int) -> list[Publication]:
        """A hold again wherever it does not show, a node that has booted meanwhile included [SUP-14]."""
        out = []
        for name, own in self.standing.items():
            session = self._sessions[name]
            shows = own.shows(session) or session.replaced  # the next supervisor's nodes are its own
            if own.sent_ms is None or (now_ms - own.sent_ms >= self._repeat_ms and not shows):
                own.sent, own.sent_ms = own.sent + 1, now_ms
                reads = session.words.get("node-status", {}).get("reads", session.node.reads)
                self._draw(own, session)
                out.append(hold_for(self._site, name, reads, own.token))
        return out

    @staticmethod
    def _draw(own: OwnHold, session: Session) -> None:
        """A new token, where the node may have obeyed the one before and been let go since [SUP-31]."""
        count = _count(session)
        if own.token is None or count != own.count:
            own.token, own.count, own.drawn = session.draw_token(), count, own.drawn + 1

    # ------------------------------------------------------------ what is told
    def held(self, now_ms: int) -> list[Held]:
        """Every node that is held or is to be held, and by whom."""
        found = (self._held(name, now_ms) for name in self._sessions)
        return [one for one in found if one is not None]

    def _held(self, name: str, now_ms: int) -> Held | None:
        own, session = self.standing.get(name), self._sessions[name]
        reachable = self.linked and session.reachable(now_ms)
        heard = "" if reachable else f"; {_last_word(session, now_ms)}"
        may = reachable and not _resumes(session) and name not in self.kept
        if own is None:
            if name not in self._seen_ms:
                return None
            why = "a resume is on its way" if _resumes(session) else self._still.get(name, "")
            says, by = f"held, by its own word{f'; {why}' if why else ''}{heard}", "" if why else SOMEBODY
            return Held(name, by, now_ms - self._seen_ms[name], Stage.OBEYED, says, may_resume=may)
        for_ms = now_ms - own.asked_ms
        if own.obeyed_ms is not None:
            says = f"obeyed, by its own word{heard}"
            return Held(name, own.by, for_ms, Stage.OBEYED, says, may_resume=may)
        if own.sent_ms is None:
            why = "asked for, not sent yet" if self.linked else "not sent: the bus is away"
            return Held(name, own.by, for_ms, Stage.NOT_SENT, why, late=not self.linked)
        says = f"sent {_times(own.sent)}, not obeyed yet{heard}"
        return Held(name, own.by, for_ms, Stage.SENT, says, late=for_ms > self._repeat_ms)

    def why_held(self, node: str) -> str:
        """Why `node` is held though this supervisor does not hold it."""
        still = self._still.get(node)
        return (
            f"{node} is held: {still}"
            if still
            else f"{node} is held by another program, or by a supervisor before this one"
        )


def state_word(session: Session, key: str) -> Any:
    """`key` of whichever state message of a role carries it, said after the claim; None if none does."""
    for message in STATE_OF_ROLE.values():
        word = session.word(message)
        if word is not None and key in word:
            return word[key]
    return None


def is_held(session: Session) -> bool:
    """Whether the node says that a hold stands."""
    return bool(state_word(session, "held"))


def says_held(session: Session) -> bool:
    """Whether any newest live state of the node says that a hold stands, claimed or not."""
    return any(bool(word["held"]) for word in _states(session))


def obeys(session: Session) -> bool:
    """Whether every newest live state of the node says that a hold stands."""
    states = list(_states(session))
    return bool(states) and all(bool(word["held"]) for word in states)


def _resumes(session: Session) -> bool:
    return any(sent.act == "resume" for sent in session.open.values())


def _states(session: Session) -> Iterator[Mapping[str, object]]:
    for role in session.node.roles:
        word = session.words.get(STATE_OF_ROLE.get(role, ""))
        if word is not None:
            yield word


def _count(session: Session) -> int | None:
    """The node's count of holds by its own word; None before the first."""
    return next((int(str(word["holds"])) for word in _states(session)), None)


def _last_word(session: Session, now_ms: int) -> str:
    if session.spoke_ms is None:
        return "it has not been heard"
    return f"its last word is {(now_ms - session.spoke_ms) / 1000:.0f} s old"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
