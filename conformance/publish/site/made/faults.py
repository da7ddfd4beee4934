"""docs/protocol/faults.md: when each fault comes, and what ends it."""

from __future__ import annotations

from collections.abc import Iterator

from protocol.fault_rule import FOUND, RESET, RESET_WITH_POWER, FaultRule
from protocol.specification import Specification

HEAD = """# Faults: when each comes, and what ends it

Made from [`faults.toml`](../../protocol/v1/faults.toml) by `python -m conformance.publish.site.made`. A fault
of level `warn` is said, and work goes on (`FLT-03`). One of level `halt` ends the open job, stops the machine
and is counted (`FLT-02`). The field `active` of `fault` lists what stands now; a fault that has ended is no
longer in it. One of level `halt` counts each time that it comes, also while it stands: motor power lost twice
counts two.
"""

ENDS = {
    RESET: "any reset-fault",
    RESET_WITH_POWER: "a reset-fault once motor power is there again; one before it leaves the fault standing",
    FOUND: "a reset-fault with `found`",
}

TAIL = """
The times are fields of the [site file](site-fields.md). The clock stands while the node is held, for a held
job ends as if it had not been held (`HLD-05`).

## What a reset-fault does

1. It has to name the count of faults of level `halt` that the node says now, else it is refused with
   `fault-count` (`FLT-04`). A reset-fault that says with `found` or `place` what cannot be so for this node
   is refused with `nothing-found`: a crane takes `found` (`none` or `box`) and no `place`, a berth takes
   `found` = `none` and no `place`, a shuttle takes a `place` that it serves.
2. It ends every active fault at once, not one by one, apart from what the table above says of `power-lost`
   and `load-unsure`.
3. If no fault of level `halt` stands then, the machine leaves the state that the fault put it in:

| machine | from | with | to |
|---|---|---|---|
| crane | `faulted` | every axis homed | `ready` |
| crane | `faulted` | an axis not homed, as after `power-lost` and `home-missed` | `unhomed` |
| berth | `lost` | `found` = `none` | `empty` |
| berth | `lost` | nothing said | `lost`: the faults have ended, the track has not been looked at |
| shuttle | `lost` | `place` | `at-place`, there |
| shuttle | `lost` | nothing said | `lost` |

4. It moves nothing, restarts no job, and leaves the count of faults as it is (`FLT-05`). It is no job: it is
   taken while the node is held too.

A reset-fault with nothing wrong is answered `done` and changes nothing. What is still wrong raises its fault
again by itself. A restart of the node ends every fault, starts the count again at 0, and a berth or shuttle
is `lost` after it, a crane `unhomed`.
"""


def faults_document(spec: Specification) -> str:
    """The document, as Markdown."""
    return "\n".join([HEAD, *_table(spec), TAIL])


def _table(spec: Specification) -> Iterator[str]:
    yield "| fault | level | of | it comes when | after how long | it ends with |\n|---|---|---|---|---|---|"
    for code, rule in spec.faults.items():
        roles = "every node" if len(rule.roles) == 3 else ", ".join(rule.roles)
        yield f"| `{code}` | {spec.fault_level(code)} | {roles} | {rule.comes} | {limit(rule)} | {ENDS[rule.ends]} |"


def limit(rule: FaultRule) -> str:
    """How long 'in time' is for a fault."""
    return f"`{rule.within}` from {rule.since_when}" if rule.within else "at once"
