"""What of a supervisor is its state, field by field. A field that stands in no plan fails the snapshot."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from protocol.specification import specification
from protocol.state_machine import StateMachine
from reference_node.snapshot.canonical import Plan
from reference_node.snapshot.how import BASE_MS, KEEP, SHARED, Dropped, How, Shared, Since, Until
from reference_node.supervisor.journal import Journal
from reference_node.supervisor.observe.boxes import Carriage, Spot
from reference_node.supervisor.observe.gap import Gap
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.known_node import Event
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.words import Words
from reference_node.supervisor.plan.execution import Orders, PlanExecution
from reference_node.supervisor.plan.goal_list import GoalList, _Entry
from reference_node.supervisor.plan.goals import Admit, Depart, Move, Run, Together
from reference_node.supervisor.plan.next_step import Step
from reference_node.supervisor.plan.problem_builder import ProblemBuilder
from reference_node.supervisor.questions.answers import Answers
from reference_node.supervisor.questions.open_questions import OpenQuestions
from reference_node.supervisor.questions.question import Question
from reference_node.supervisor.send.holds import Holds, OwnHold
from reference_node.supervisor.send.messages import OwnMessages
from reference_node.supervisor.send.outage import Outage
from reference_node.supervisor.send.yard_maps import YardMaps
from reference_node.supervisor.supervisor import Supervisor

_PACE = Pace()
SILENT_MS = specification().most_ms("state_silence") + 1
"""From so many ms on a node is silent; from `GIVE_UP_MS` on an order without news is given up."""
GIVE_UP_MS = _PACE.give_up_ms + 1
RETRY_MS = _PACE.retry_ms
SENT = Since((_PACE.repeat_ms,))
MOST_SENT = 3
"""A hold that was sent more often counts as sent so often: then a person is asked once more, never once less."""


def _now(value: Any) -> Any:
    return None if value is None else BASE_MS


def _retry_later(supervisor: Supervisor, now_ms: int) -> None:
    """A node that is left in peace: whether it still is, and why."""
    waits = supervisor._not_before.items()
    supervisor._not_before = {
        node: (BASE_MS + RETRY_MS, why) for node, (until_ms, why) in waits if until_ms > now_ms
    }
    supervisor.waiting.clear()


def _shown_since(holds: Holds, _now_ms: int) -> None:
    """For a display alone; that there is an entry is what counts."""
    holds._seen_ms = dict.fromkeys(holds._seen_ms, BASE_MS)
    holds._still.clear()


def _hold_times(hold: OwnHold, _now_ms: int) -> None:
    hold.obeyed_ms = _now(hold.obeyed_ms)
    hold.sent, hold.drawn = min(hold.sent, MOST_SENT), min(hold.drawn, MOST_SENT)


def _gap_times(gap: Gap, _now_ms: int) -> None:
    object.__setattr__(gap, "fell_ms", BASE_MS)
    object.__setattr__(gap, "back_ms", _now(gap.back_ms))
    object.__setattr__(gap, "open", ())


def _base() -> int:
    return BASE_MS


WORDS = "told to a person only"
PART = Shared("a part that stands elsewhere in the snapshot, or a function")


def keep(*names: str, **more: How) -> dict[str, How]:
    """A plan's fields: those of `names` are kept."""
    return {**dict.fromkeys(names, KEEP), **more}


def dropped(why: str, *names: str, reset: Callable[[], Any] | None = None) -> dict[str, How]:
    """Fields that are dropped for one reason."""
    return dict.fromkeys(names, Dropped(why, reset))


SUPERVISOR_PLANS: dict[type, Plan] = {
    Supervisor: Plan(
        {
            **keep("name", "boot", "inventory", "sessions", "goals", "was_owned", "winding_up", "replaced"),
            **keep("holds", "goal_list", "outage", "open_questions", "_messages", "_contents", "yard_maps"),
            **keep("_steps", "_not_before"),
            **dropped("read by the proof after every step; nothing is decided by it", "history", reset=list),
            **dropped(WORDS, "troubles", reset=list),
            **dropped(WORDS, "journal", reset=Journal),
            "waiting": Dropped("written again with each tick, for a person; cleared by `_retry_later`"),
            "site": SHARED,
            "pace": SHARED,
            "_told_ms": Since(),
            "now_ms": Since(),
        },
        _retry_later,
    ),
    Inventory: Plan(
        keep("slots", "spreaders", "carriages", "in_motion", "conflicts", site=SHARED)
        | dropped("for a person and for scenarios", "gone", reset=list)
    ),
    Session: Plan(
        {
            **keep("machine", "_to_send", "boot", "mark", "_said", "first_answer", "first_uptime", "claim"),
            **keep("may_claim", "may_repeat", "open", "_rng", "_events", "_token", "_pending_claim"),
            **keep("_claimant", "_highest", "_giving_up", first_answered_ms=Since()),
            **dropped("retained messages, good for a display only", "hints", reset=dict),
            "heard_ms": Since((SILENT_MS,)),
            "spoke_ms": Since((SILENT_MS,)),
            "_asked_ms": SENT,
            "_claimed_ms": SENT,
            "node": SHARED,
            "pace": SHARED,
        }
    ),
    Words: Plan(keep("newest", "since_ask", "uptime", "_settled_from", "_behind", "_anew")),
    SentOrder: Plan(
        keep(
            "body",
            "machine",
            "reason",
            "load",
            sent_ms=SENT,
            news_ms=Since((SILENT_MS, GIVE_UP_MS)),
            given_ms=Since(),
        )
        | dropped(WORDS, "step", reset=str)
    ),
    StateMachine: Plan(keep("_state", table=SHARED, _guards=SHARED)),
    Event: Plan(keep("kind", "sent")),
    Holds: Plan(
        keep("linked", "standing", "kept", "_seen_ms", _site=SHARED, _sessions=PART, _repeat_ms=SHARED)
        | dropped(WORDS, "_still"),
        _shown_since,
    ),
    OwnHold: Plan(
        keep(
            "by",
            "before",
            "sent",
            "told",
            "token",
            "count",
            "drawn",
            "while_asked",
            "obeyed_ms",
            sent_ms=SENT,
        )
        | dropped("for a display only", "asked_ms", reset=_base),
        _hold_times,
    ),
    Outage: Plan(keep("gap", _sessions=PART, _holds=PART, _note=PART)),
    Gap: Plan(keep("fell_ms", "back_ms") | dropped(WORDS, "open"), _gap_times),
    OpenQuestions: Plan(
        keep(
            "questions",
            "_unaccounted",
            _look=PART,
            _rules=PART,
            _holds=PART,
            _answers=PART,
            _on_question=PART,
            _note=PART,
        )
        | dropped(WORDS, "withdrawn", reset=deque)
    ),
    Question: Plan(keep("about", "node", "place", "asks", "choices", "boots", "found", _take=PART)),
    Answers: Plan(dict.fromkeys(("_site", "_sessions", "_inventory", "_holds", "_outage", "_now_ms"), PART)),
    OwnMessages: Plan(
        keep("boot", "link", site=SHARED, node=SHARED)
        | dropped("no node and no supervisor reads the uptime of a supervisor", "_started_ms", reset=_base)
        | dropped("no node reads the status of a supervisor", "_status_ms", reset=_base)
        | dropped("who counts what was lost is the recorder, no participant", "_seq", reset=dict)
    ),
    YardMaps: Plan(keep("kept", "shown", _messages=PART, _inventory=PART, _sessions=PART)),
    GoalList: Plan(keep("_entries", "_given", "execution", "_first", _site=SHARED, _orders=PART)),
    _Entry: Plan(keep("number", "goal", "execution", "blocked")),
    PlanExecution: Plan(
        {
            **keep(
                "plan", "todo", "under_way", "lacking", "blocked", "_no_plan", "_all_reported", "_durations"
            ),
            **keep(
                "_goal_state",
                "_builder",
                "_search",
                "_problem",
                "_ends_ms",
                "_tries",
                _site=SHARED,
                _orders=PART,
            ),
            **dropped("counts plans, for a person", "plans", reset=int),
            "_searched_ms": Since((100,)),
        }
    ),
    ProblemBuilder: Plan(keep("been", "_on_track", "_again", "_never", "_at", _site=SHARED)),
    Orders: Plan(dict.fromkeys(("look", "start", "note", "waiting"), PART)),
    Journal: Plan(dict.fromkeys(("entries", "alarms", "written", "_trail", "_last"), Dropped(WORDS))),
    Step: Plan(keep("node", "act", "fields", "carriage", "brings")),
    Carriage: Plan(keep("box", "source", "target")),
    Spot: Plan(keep("place", "slot")),
    Move: Plan(keep("box", "place", "slot")),
    Admit: Plan(keep("berth", "train", "brings")),
    Depart: Plan(keep("berth")),
    Run: Plan(keep("shuttle", "place")),
    Together: Plan(keep("goals")),
}
__all__ = ["GIVE_UP_MS", "RETRY_MS", "SILENT_MS", "SUPERVISOR_PLANS", "Until", "dropped", "keep"]
