"""What of a node is its state, field by field; machines come from outside and bring their own plans."""

from __future__ import annotations

from protocol.participant import Publication
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.controller.faults import BadMessages, FaultRegister
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.inbox import Inbox
from reference_node.controller.job import Job
from reference_node.controller.order_desk import OrderDesk
from reference_node.controller.stimulus_player import StimulusPlayer
from reference_node.envelope import Envelope, Uptime
from reference_node.roles.berth import Berth
from reference_node.roles.crane import FEEL_MS, Crane
from reference_node.roles.leg import Leg
from reference_node.roles.role import Role
from reference_node.roles.shuttle import Shuttle
from reference_node.sensing.arrival import Arrival
from reference_node.sensing.debounce import Debounce
from reference_node.snapshot.canonical import Plan
from reference_node.snapshot.how import BASE_MS, SHARED, Dropped, Exactly, Shared, Since, Until
from reference_node.snapshot.supervisor_fields import PART, dropped, keep

SETTLING_MS = int(specification().timing["settling"].value or 0)
TIMEOUT_MS = 60_000
"""A time-out of a job that is still to come stands so far ahead; it passes only where a machine does nothing more."""


def _settled_line(line: Debounce, now_ms: int) -> None:
    """Since when a level stands is asked only until it is believed."""
    us = now_ms * 1000
    age = 0 if line._raw == line.level else min(us - line._since_us, line._settle_us)
    line._since_us = BASE_MS * 1000 - age


def _arrival_times(arrival: Arrival, now_ms: int) -> None:
    """All times move together; of an arrival that is over, and during a hold, none passes."""
    us = now_ms * 1000
    held = arrival._held_us
    shift = BASE_MS * 1000 - (us if held is None else held)
    for name in ("_begun_us", "_cut_us", "_armed_us", "_end_us", "_open_us"):
        value = getattr(arrival, name)
        if value is not None:
            setattr(arrival, name, value + shift if arrival.under_way else BASE_MS * 1000)
    arrival._held_us = None if held is None else BASE_MS * 1000


def _berth_times(berth: Berth, now_ms: int) -> None:
    held = berth._held_ms
    shift = BASE_MS - (now_ms if held is None else held)
    berth._last_ms = berth._last_ms + shift if berth.state == "leaving" else BASE_MS
    berth._held_ms = None if held is None else BASE_MS


def _beats(heart: Heartbeat, _now_ms: int) -> None:
    heart._sent_ms = dict.fromkeys(heart._sent_ms, BASE_MS)


NODE_PLANS: dict[type, Plan] = {
    Controller: Plan(
        {
            **keep(
                "boot", "bench", "reset_cause", "mark", "mark_before", "held", "holds", "link", "job", "roles"
            ),
            **keep(
                "machines", "register", "bad_messages", "player", "heartbeat", "_uptime", "_online", "_out"
            ),
            **keep("_told", "_motor_power", "envelope", _now_ms=Since(), desk=PART, inbox=PART),
            **dict.fromkeys(("site", "name", "node"), SHARED),
            **keep("claimant", "minor", "hold_token"),
            "_no_job": Shared("a table that nothing has happened in"),
            "rng": Dropped("chance moves machines, which are a model here"),
        }
    ),
    OrderDesk: Plan({"node": PART, "_does": PART}),
    Inbox: Plan(dict.fromkeys(("_node", "_own", "_everyone"), SHARED)),
    Envelope: Plan(
        keep("boot", _site=SHARED, _node=SHARED)
        | dropped("who counts what was lost is the recorder, no participant", "_seq", reset=dict)
    ),
    Uptime: Plan({"_zero_ms": Exactly()}),
    Heartbeat: Plan(
        dropped("the next heartbeat may come at any time; `_beats` sets all", "_sent_ms"), _beats
    ),
    FaultRegister: Plan(keep("active", "count", "_changed")),
    BadMessages: Plan(keep("_waits", _last_ms=Since((1_000,)))),
    StimulusPlayer: Plan(keep("_coming", _order=SHARED)),
    Job: Plan(keep("order", "id", "act", "step", "reason", "past_return", "machine")),
    Debounce: Plan(keep("level", "_raw", "_since_us", _settle_us=SHARED), _settled_line),
    Role: Plan(keep("machine", "lines", _settled_ms=Until(SETTLING_MS), host=PART)),
    Crane: Plan(
        {
            **keep("_order", "_legs", "_found", "_braking", "_load", "_held_ms", "_resumed_ms"),
            **dict.fromkeys(("_site", "_crane", "_switches"), SHARED),
            "_crane_machine": PART,
            "_timeout_ms": Until(TIMEOUT_MS),
            "_feel_until_ms": Until(FEEL_MS),
            "_held_ms": Since(),
            "_resumed_ms": Since(),
            "_now_ms": Since(),
        }
    ),
    Publication: Plan(keep("topic", "payload", "qos", "retain")),
    Leg: Plan(keep("step", begin=PART, ended=PART)),
    Berth: Plan(
        {
            **keep(
                "_raw",
                "arrival",
                "count",
                "_act",
                "_train",
                "_last_ms",
                "_held_ms",
                "_saw_it_move",
                "_coasts",
            ),
            "_site": SHARED,
            "_motor": PART,
        },
        _berth_times,
    ),
    Arrival: Plan(
        {
            **keep("state", "reason", "ignored", "reading", "arm_to_end_ms", "_lines", "_wanted", "_pauses"),
            **keep("_begun_us", "_cut_us", "_armed_us", "_end_us", "_open_us", "_held_us", _settings=SHARED),
        },
        _arrival_times,
    ),
    Shuttle: Plan(
        {
            **keep("_place", "_target", "_reached", "count", _timeout_ms=Until(TIMEOUT_MS), _held_ms=Since()),
            "_stops": SHARED,
            "_site": SHARED,
            "_car": PART,
        }
    ),
}
