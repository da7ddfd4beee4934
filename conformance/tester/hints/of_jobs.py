"""Situations in which a job or a fault came to something, or a machine did."""

from __future__ import annotations

import re
from collections.abc import Callable

from conformance.oracle.motion import SWITCHED_ON
from conformance.tester.hints.scene import FAULT_COUNT, Scene
from protocol.specification import OPEN, specification


def _moves(scene: Scene) -> bool:
    """Whether what is wrong is that something moved."""
    return SWITCHED_ON in scene.seen or "no motor" in scene.expected or scene.expected.startswith("axes ")


def _moves_held_job(scene: Scene) -> bool:
    return _moves(scene) and bool(scene.state.get("held")) and scene.job_open


def _job_thrown_away(scene: Scene) -> bool:
    """Behind a hold the job is over though it was not done, and no fault has ended it."""
    hold = next((m.number for m in scene.orders() if m.body.get("act") == "hold"), None)
    if hold is None:
        return False
    before = next((m.body for m in scene.carriers(before=hold)), {})
    now = scene.state
    kept = now.get("job") == before.get("job") and now.get("job_state") not in ("cancelled", None)
    cancelled = any(m.body.get("act") == "cancel" and m.number > hold for m in scene.orders())
    return before.get("job_state") in OPEN and not kept and not cancelled


def _halts(codes: list[str]) -> set[str]:
    return {code for code in codes if specification().fault_level(code) == "halt"}


def _fault_beside_job(scene: Scene) -> bool:
    """A fault of level halt stands, and the job is open still."""
    fault = next((m.body for m in scene.said("fault")), {})
    return bool(_halts(fault.get("active", []))) and scene.job_open


def _came_while_it_stood(scene: Scene) -> bool:
    """A fault stood already when the one came that should have been counted, and the count stayed."""
    order, due = scene.order, FAULT_COUNT.search(scene.expected)
    if order is None or due is None:
        return False
    before = next((m.body for m in scene.said("fault", before=order.number)), {})
    now = next((m.body for m in scene.said("fault")), {})
    stood = _halts(before.get("active", [])) & _halts(now.get("active", []))
    return bool(stood) and now["faults"] == before["faults"] and int(due[1]) == (now["faults"] + 1) % 65536


def _moves_behind_reset_fault(scene: Scene) -> bool:
    return scene.act == "reset-fault" and (_moves(scene) or scene.job_open)


def _homes_unasked(scene: Scene) -> bool:
    """It homes, and in this boot nobody has ordered that."""
    boot = scene.state.get("boot")
    ordered = any(m.body.get("act") == "home" and m.body.get("boot") == boot for m in scene.orders())
    return scene.state.get("mode") == "homing" and not ordered


def _homed_while_homing(scene: Scene) -> bool:
    crane = next((m.body for m in scene.said("crane-status")), {})
    return crane.get("mode") == "homing" and any(axis[2] for axis in crane["axes"])


def _berth(scene: Scene) -> dict[str, object]:
    return next((dict(m.body) for m in scene.said("train-arrival")), {})


def _armed_by_the_end(scene: Scene) -> bool:
    """It has left 'admitting', and only the end sensor was played."""
    admit = next((m.number for m in scene.orders() if m.body.get("act") == "admit"), None)
    if admit is None or _berth(scene).get("state") not in ("armed", "at-rest"):
        return False
    played = [
        m.body["inputs"] for m in scene.orders() if m.number > admit and m.body.get("act") == "stimulus"
    ]
    sensors = {one[0] for inputs in played for one in inputs}
    return sensors == {"end"}


def _ignored(scene: Scene) -> tuple[int, int] | None:
    """How many ignored pulses were due, and how many were told."""
    due = re.fullmatch(r"(\d+) ignored pulses", scene.expected)
    return None if due is None or not scene.seen.isdigit() else (int(due[1]), int(scene.seen))


def _ignored_of_before(scene: Scene) -> bool:
    """More was told than was played, by just what the arrival before had left."""
    told = _ignored(scene)
    admit = next((m.number for m in scene.orders() if m.body.get("act") == "admit"), None)
    if told is None or admit is None:
        return False
    before = next((m.body.get("ignored") for m in scene.said("train-arrival", before=admit)), None)
    return before is not None and 0 < before == told[1] - told[0]


def _counts_bounces(scene: Scene) -> bool:
    told = _ignored(scene)
    return told is not None and told[1] > told[0]


def _between_entries(scene: Scene) -> bool:
    return scene.expected.startswith("a target of ")


def _beyond_table(scene: Scene) -> bool:
    return "outside-table" in scene.expected


OF_JOBS: dict[str, Callable[[Scene], bool]] = {
    "moves-held-job": _moves_held_job,
    "job-thrown-away": _job_thrown_away,
    "fault-beside-job": _fault_beside_job,
    "came-while-it-stood": _came_while_it_stood,
    "moves-behind-reset-fault": _moves_behind_reset_fault,
    "homes-unasked": _homes_unasked,
    "homed-while-homing": _homed_while_homing,
    "between-entries": _between_entries,
    "beyond-table": _beyond_table,
    "armed-by-the-end": _armed_by_the_end,
    "ignored-of-before": _ignored_of_before,
    "counts-bounces": _counts_bounces,
}
