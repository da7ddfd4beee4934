"""What the formulas of the guards are asked over: one desk and one order, with numbers that stand for any others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from conformance.suite.walk.desk import Desk
from conformance.suite.walk.letters import Letter, Numbers, Order
from conformance.suite.walk.order_letters import finding_fits
from protocol.formula import holds
from protocol.site import NodeSite
from protocol.specification import Specification

BOOT, OTHER_BOOT, CLAIM, JOB, MARK, HOLDS, FAULTS, UPTIME = 7, 8, 256, 260, 270, 3, 2, 1_000_000
Facts = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Rules:
    """The tables and guards as they bind one node, and what its part of the site file says."""

    spec: Specification
    node: NodeSite

    def holds(self, guard: str, facts: Mapping[str, Any]) -> bool:
        """Whether a guard of `tables/guards.toml` is so, by its formula; '' always is."""
        return not guard or holds(self.spec.guards[guard].formula, facts)

    def requirement(self, guard: str, otherwise: str) -> str:
        """The requirement of a check that binds this node: of several, the one of its own role."""
        mine = [
            id_
            for id_ in self.spec.guards[guard].requirements
            if id_ in self.spec.requirements
            and self.spec.requirements[id_].role in ("node", *self.node.roles)
        ]
        return mine[0] if mine else otherwise

    def role_of(self, act: str) -> str:
        """The role whose job an act is; '' for other acts and other nodes' jobs."""
        return next((role for role in self.node.roles if act in self.spec.jobs & self.spec.acts_of(role)), "")


def any_numbers(desk: Desk, chance: int = 0) -> Numbers:
    """Numbers as a node may have them in that state."""
    return Numbers(
        boot=BOOT,
        other_boot=OTHER_BOOT,
        mark=MARK,
        fresh=MARK + 1,
        stale=CLAIM,
        job=JOB,
        last={}
        if desk.job == "none"
        else {"act": desk.act or "home", "boot": BOOT, "id": JOB, "deadline": UPTIME},
        holds=HOLDS,
        faults=FAULTS,
        uptime=UPTIME,
        lead_ms=10_000,
        load=desk.load,
        chance=chance,
    )


def facts_of(rules: Rules, desk: Desk, letter: Letter, order: Order) -> Facts:
    """What the checks of an order ask, by the names of `guards.toml`."""
    node, spec = rules.node, rules.spec
    facts: Facts = {
        "order": order,
        "node": {
            "boot": BOOT,
            "mark": MARK,
            "mark_before": MARK,
            "uptime": UPTIME,
            "bench": True,
            "held": desk.held,
            "holds": HOLDS,
            "faults": FAULTS,
            "acts": [act for role in node.roles for act in spec.acts_of(role)],
            "jobs": list(spec.jobs),
            "finding_fits": finding_fits(node, order),
        },
    }
    if desk.job != "none":
        facts["job"] = {"id": JOB, "open": desk.open, "past_return": desk.picked}
    role = rules.role_of(str(order["act"]))
    if role:
        state = desk.machines[node.roles.index(role)]
        needed = "none" if "from" in order else "box"
        facts["role"] = {
            "name": role,
            "has_row": any(spec.tables[role].rows(state, str(order["act"]))),
            "load_fits": order["act"] != "transfer" or desk.load == needed,
            "knows_place": True,
            "within_table": True,
            "within_reach": True,
            **letter.role,
        }
    return facts
