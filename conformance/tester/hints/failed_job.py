"""A job that was to be done and was ended by a fault: that fault is what to look at, whatever the case is about."""

from __future__ import annotations

import re
from dataclasses import dataclass

from conformance.tester.hints.scene import FAULT_COUNT, Scene
from protocol.specification import specification

ENDED_ON_PURPOSE = ("failed", "lost", "input-lost", "power-lost", "not-armed", "end-missed")
"""A finding that expects one of these is about a fault that the case has brought about."""
OF_A_BERTH = ("arming", "end")
"""Its sensors in the order of their bits in `inputs`."""


@dataclass(frozen=True, slots=True)
class FailedJob:
    """A job that a fault has ended."""

    act: str
    id: int
    code: str
    part: str
    closed: bool = False
    """Whether the sensor of that name was closed when the job began."""

    @property
    def told(self) -> str:
        """What happened, in a few words."""
        part = f" ({self.part})" if self.part else ""
        return f"{self.act} {self.id} failed with '{self.code}'{part}"

    @property
    def cause(self) -> str:
        """What brings that fault."""
        already = f" '{self.part}' was closed already when the {self.act} began." if self.closed else ""
        return (
            f"see to '{self.code}' first.{already} What brings it: {specification().faults[self.code].comes}"
        )


def failed_by(scene: Scene) -> FailedJob | None:
    """The job that was to come to its end, where a fault has ended it; None where that is not what was seen."""
    if not _tells_of_its_end(scene):
        return None
    shown = scene.shown.body if scene.shown is not None else {}
    job = shown["id"] if shown.get("state") == "failed" else scene.state.get("job")
    if job is None or not _has_failed(scene, job):
        return None
    ordered = next((m for m in scene.orders() if m.body.get("id") == job), None)
    fault = next((m for m in scene.said("fault") if m.body.get("job") == job), None)
    if ordered is None or fault is None or ordered.body["act"] not in specification().jobs:
        return None
    code = str(fault.body.get("changed", ""))
    if code not in fault.body["active"] or fault.body.get("level") != "halt":
        return None
    part = str(fault.body.get("part", ""))
    return FailedJob(ordered.body["act"], int(job), code, part, _was_closed(scene, part, ordered.number))


def _tells_of_its_end(scene: Scene) -> bool:
    """Whether what is wrong is that a job failed, or that a fault was counted which nobody had brought about."""
    if any(f"'{word}'" in scene.expected or f" {word}" in scene.expected for word in ENDED_ON_PURPOSE):
        return False
    due, seen = FAULT_COUNT.search(scene.expected), FAULT_COUNT.search(scene.seen)
    if due is not None and seen is not None:
        return int(seen[1]) > int(due[1])
    return re.search(r"\bfailed\b", scene.seen) is not None


def _was_closed(scene: Scene, sensor: str, before: int) -> bool:
    """Whether a berth said of one of its sensors, before that trace, that it is closed [MSG-14]."""
    status = next((m.body for m in scene.said("node-status")), {})
    state = next((m.body for m in scene.carriers(before=before)), {})
    if list(status.get("roles", ())) != ["berth"] or sensor not in OF_A_BERTH:
        return False
    return bool(int(state.get("inputs", 0)) >> OF_A_BERTH.index(sensor) & 1)


def _has_failed(scene: Scene, job: int) -> bool:
    told = [str(report.get("state")) for report in scene.reports(job)]
    return "failed" in told or (scene.state.get("job"), scene.state.get("job_state")) == (job, "failed")
