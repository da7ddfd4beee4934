"""Breaches of what state messages and reports say, and when."""

from __future__ import annotations

from typing import Any

from protocol.counting import UPTIME_MODULUS
from protocol.specification import FINAL, specification
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach
from tests.faulty_nodes.matrix.said import Said


def machine(n: Injection) -> str:
    """The state topic of its machine."""
    return next(iter(n.node.roles.values())).message


@breach("change-of-held-unsaid")
def change_of_held_unsaid(n: Injection) -> None:
    def other(real: Any, message: str) -> bool:
        told, now = n.node._told.get(message) or {}, n.node._gist(message)
        alike = {**told, "held": 0, "holds": 0} == {**now, "held": 0, "holds": 0}
        return False if message == machine(n) and alike else bool(real(message))

    n.wrap(n.node, "changed", other)


@breach("change-of-job-unsaid")
def change_of_job_unsaid(n: Injection) -> None:
    def other(real: Any, message: str) -> bool:
        ended = n.node.job is not None and not n.node.job_open
        told = (n.node._told.get(message) or {}).get("job_state")
        return False if message == machine(n) and ended and told not in FINAL else bool(real(message))

    n.wrap(n.node, "changed", other)


def _slow(n: Injection, message: str, timing: str) -> None:
    most = n.beyond(specification().timing[timing].most or 0)

    def other(real: Any, name: str) -> int:
        if name != message:
            return int(real(name))
        sent = n.node.heartbeat._sent_ms.get(name)
        return n.node._now_ms if sent is None else sent + most

    n.wrap(n.node, "beat_ms", other)


@breach("state-repeat-beyond")
def state_repeat_beyond(n: Injection) -> None:
    _slow(n, machine(n), "state_repeat")


@breach("fault-repeat-beyond")
def fault_repeat_beyond(n: Injection) -> None:
    _slow(n, "fault", "state_repeat")


@breach("status-repeat-beyond")
def status_repeat_beyond(n: Injection) -> None:
    _slow(n, "node-status", "status_repeat")


@breach("heartbeat-stops")
def heartbeat_stops(n: Injection) -> None:
    n.wrap(n.node, "beat_ms", lambda real, name: max(int(real(name)), n.now_ms + 3_600_000))


@breach("boot-of-report-wrong")
def boot_of_report_wrong(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["boot"] = (said.body["boot"] + 1) % 65536

    n.alters("job-report", alter)


@breach("seq-begins-again")
def seq_begins_anew(n: Injection) -> None:
    n.on_connecting(lambda: n.node.envelope._seq.clear())


@breach("seq-repeated")
def seq_repeated(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["seq"] = max(0, said.body["seq"] - 1)

    n.alters("job-report", alter)


@breach("uptime-behind")
def uptime_behind(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["uptime"] = (said.body["uptime"] - 20) % UPTIME_MODULUS

    n.alters("job-report", alter)


@breach("uptime-begins-again")
def uptime_begins_anew(n: Injection) -> None:
    n.on_connecting(lambda: n.node._uptime.set(0, n.now_ms))


@breach("job-of-before")
def job_of_before(n: Injection) -> None:
    ids: list[int] = []

    def note() -> None:
        if n.node.job is not None and (not ids or ids[-1] != n.node.job.id):
            ids.append(n.node.job.id)

    n._afters.append(note)

    def alter(said: Said) -> None:
        if len(ids) > 1 and said.body.get("job") == ids[-1]:
            said.body["job"] = ids[-2]

    n.alters("state", alter)


@breach("job-state-sticks")
def job_state_sticks(n: Injection) -> None:
    def alter(said: Said) -> None:
        if said.body.get("job_state") in FINAL:
            said.body["job_state"] = "running"

    n.alters("state", alter)


@breach("job-forgotten")
def job_forgotten(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body.pop("job", None)
        said.body.pop("job_state", None)

    n.alters("state", alter)


@breach("mark-behind")
def mark_behind(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["mark"] = max(0, said.body["mark"] - 1)

    n.alters("state", alter)


@breach("mark-left-out")
def mark_left_out(n: Injection) -> None:
    def alter(said: Said) -> None:
        del said.body["mark"]

    n.alters("state", alter)


@breach("status-of-other-digest")
def status_of_other_digest(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["digest"] ^= 1

    n.alters("node-status", alter)


@breach("status-in-service")
def status_in_service(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["bench"] = False

    n.alters("node-status", alter)


@breach("inputs-swapped")
def inputs_swapped(n: Injection) -> None:
    def alter(said: Said) -> None:
        bits = said.body.get("inputs", 0)
        said.body["inputs"] = (bits & ~3) | (bits & 1) << 1 | (bits & 2) >> 1

    n.alters("state", alter)


@breach("starts-uncounted")
def starts_uncounted(n: Injection) -> None:
    said_last: list[int] = [0]

    def alter(said: Said) -> None:
        if "starts" in said.body:
            said.body["starts"] = said_last[0]

    def note(said: Said) -> None:
        if said.message == "node-status" and not n.on():
            said_last[0] = said.body.get("starts", 0)

    n._alters.append(lambda said: note(said))
    n.alters("node-status", alter)
