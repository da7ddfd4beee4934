"""Breaches of faults and of their end."""

from __future__ import annotations

from typing import Any

from protocol.guards import Order
from protocol.specification import specification
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach
from tests.faulty_nodes.matrix.said import Said


@breach("active-fault-left-out")
def active_fault_left_out(n: Injection) -> None:
    def alter(said: Said) -> None:
        left = [code for code in said.body["active"] if specification().fault_level(code) != "halt"]
        said.body["active"] = left

    n.alters("fault", alter)


@breach("fault-count-behind")
def fault_count_behind(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["faults"] = max(0, said.body["faults"] - 1)

    n.alters("fault", alter)


@breach("halt-ends-no-job")
def halt_ends_no_job(n: Injection) -> None:
    def halt(_real: Any, raisers: Any, code: str, part: str | None) -> None:
        n.node.register.raise_(code, part=part, job=None)
        for role in raisers:
            role.halt(n.now_ms)
        n.node._publish_state("fault")

    n.wrap(n.node, "_halt", halt)


@breach("any-fault-count-resets")
def any_fault_count_resets(n: Injection) -> None:
    n.check("faults_moved_on", lambda right, order, node: False)


def start_a_motor(n: Injection) -> None:
    """Switch a motor on, and off again."""
    machines = n.node.machines
    if machines.track is not None:
        machines.track.drive(30)
        machines.track.drive(0)
    if machines.shuttle is not None and n.node.node.shuttle is not None:
        machines.shuttle.run_to(n.node.node.shuttle.stops[-1])
        machines.shuttle.brake()
    if machines.crane is not None:
        machines.crane.move(0, machines.crane.position(0) + 50)
        machines.crane.brake()


@breach("reset-fault-restarts")
def reset_fault_restarts(n: Injection) -> None:
    def reset(real: Any, order: Order) -> None:
        real(order)
        start_a_motor(n)

    n.wrap(n.node, "reset_fault", reset)
