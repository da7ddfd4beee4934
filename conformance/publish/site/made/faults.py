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

## The end sensor fires while the berth is held

In `armed` a train whose motor a hold has stopped may roll out over the end sensor. Three ways are right then:

- The berth comes to rest at once: it says `at-rest` while it is held, with a reading that it can vouch for.
- The berth comes to rest with the resume: it keeps such a reading, and says `at-rest` once the hold has ended.
- The berth fails at once: it becomes `lost` with `end-missed`, for it has no reading that would be true. The
  reference node and both cores do so.

Where the end sensor has fired before the hold came, `end-missed` does not come any more: the first two ways are right.

## What `fault` says when

- **An order that cannot be read, within {bad_message_gap} of another one.** It raises `bad-message` as the first did
  (`ENC-10`). When that is said is left open: in a message of its own once the gap is over, as by the reference
  node and both cores, or in the next heartbeat, where `active` names it. Only a reset-fault that comes first may
  have it never said.
- **`changed` and `level`** say what came or went last (`FLT-01`), so they stay when `active` is empty, until another
  fault comes or goes. Before the first fault of a boot they are left out.
- **`job`** says which job the changed fault ended. How long it stays is left open; in the reference node it goes
  with the next change, the end of a fault too.
- **A connection that is lost and found** changes nothing of it: faults and their count belong to the boot (`FLT-05`).

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
    gap = f"{spec.timing['bad_message_gap'].least} ms"
    return "\n".join([HEAD, *_table(spec), TAIL.replace("{bad_message_gap}", gap)])


def _table(spec: Specification) -> Iterator[str]:
    yield "| fault | level | of | it comes when | after how long | it ends with |\n|---|---|---|---|---|---|"
    for code, rule in spec.faults.items():
        roles = "every node" if len(rule.roles) == 3 else ", ".join(rule.roles)
        yield f"| `{code}` | {spec.fault_level(code)} | {roles} | {rule.comes} | {limit(rule)} | {ENDS[rule.ends]} |"


def limit(rule: FaultRule) -> str:
    """How long 'in time' is for a fault."""
    return f"`{rule.within}` from {rule.since_when}" if rule.within else "at once"
