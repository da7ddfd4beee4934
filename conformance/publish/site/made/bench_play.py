"""docs/protocol/bench.md: what the kit plays on a bench node, and when."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from conformance.suite.exchange import SentOrder
from conformance.suite.fixture import Inputs
from conformance.suite.jobs import AGAIN_MS, Cue, homes, played
from protocol.site import NodeSite
from protocol.site_file import scenario
from protocol.specification import specification

HEAD = """# On the bench: what the kit plays, and when

Made from the cases by `python -m conformance.publish.site.made`. A node that was started in bench mode takes
its sensors from the tester (`BEN-01`): the order `stimulus` names sensors with the level that each comes to,
and the time before it. Nothing has to be wired.

## How a stimulus is to be taken

- **A level, not an edge.** `["end", true, 40]` says: 40 ms after the entry before it (the first: after the
  order was handled), the sensor `end` is closed, and stays so until an entry says otherwise. An entry that
  says the level which the sensor has already changes nothing and is no edge. `true` is closed, the magnet is
  there, the power is there. A sensor *fires* when it closes, behind the debounce; a pulse counts when it closes.
- **Through the debounce.** The level comes in where a pin would: debounce, `inputs` (`MSG-14`) and all that
  follows see no difference (`BEN-02`). `motor-power` has no debounce of its own; the kit holds it open for 100 ms.
- **At the start** every sensor is open, and `motor-power` is `true`. A reset forgets what was still to be
  played.
- **`done` means taken.** The report comes at once, within {answer} ms, and says that the inputs will be
  played. It does not wait until they have been. A stimulus is no job: it is taken while a job is open and
  while the node is held, and a hold stops no input.
- **Beside each other, neither queued nor replaced.** A second stimulus that comes while the first is still
  being played begins at once, and each goes on by its own delays. Their entries are played in the order of
  time. The cases let at most ten entries wait at once; take in twenty, which is two whole stimuli.
- **Sensors of another role** are taken and change nothing. `motor-power` is every role's.
- **Nothing moves by itself.** On the bench a machine has no sensors of its own: without a stimulus a home
  never finds its switch, and ends with its fault.

## What is played for a job

Of `harlow-basin`; of another yard the same with its axes and stops. Each entry is sensor, level, and
milliseconds after the one before.
"""

TAIL = """
In `cases.html` and in `yardwire conform --explain CASE` stands what a case plays besides: pulses shorter than
the debounce, a sensor that never fires, one that fires too early. Three things are played in many cases:

| what | inputs | why |
|---|---|---|
| motor power is taken away | `motor-power` open, 100 ms later closed | ends a job, makes a crane unhomed and a berth or shuttle lost, where the node notices it (`FLT-06`) |
| a push | a sensor twice closed and opened, 40 ms each | the same for a berth or shuttle that notices no motor power (`BER-10`, `SHT-07`), later than {settling} after it came to stand |
| a long wait | nothing | a time-out of the site file has to end the job: [every 'in time'](in-time.md) |

A job may stay `accepted` until its deadline, ten seconds ahead: the inputs wait for `running`. In service
nothing is played: there the machine's own sensors do.
"""

JOBS: Mapping[str, Mapping[str, Any]] = {
    "crane": {
        "home": {},
        "transfer": {"from": "stack-n", "from_slot": 0, "to": "ferry", "to_slot": 0},
        "park": {},
        "jog": {"target": [0, 0, 0]},
    },
    "berth": {"admit": {}, "depart": {}},
    "shuttle": {"run": {"to": "quay-s"}},
}
"""The jobs of each role, as they are ordered in harlow-basin."""


def bench_document() -> str:
    """The document, as Markdown."""
    timing = specification().timing
    figures = {"answer": timing["answer"].most, "settling": timing["settling"]}
    return "\n".join([_filled(HEAD, figures), *_roles(), _filled(TAIL, figures)])


def _filled(text: str, figures: Mapping[str, object]) -> str:
    for name, value in figures.items():
        text = text.replace(f"{{{name}}}", str(value))
    return text


def _roles() -> Iterator[str]:
    yield "| role | job | played at | inputs |\n|---|---|---|---|"
    for role, jobs in JOBS.items():
        node = scenario().with_role(role)[0]
        for act, fields in jobs.items():
            cues = played(node, SentOrder({"act": act, "id": 1, **fields}, 0))
            if not cues:
                yield f"| {role} | `{act}` | nothing | none: it ends when the axes have arrived |"
            for cue in cues:
                yield f"| {role} | `{act}` | {cue.when}{_again(cue)} | {_told(cue.inputs)} |"
            if act == "home":
                yield f"| {role} | `{act}` | its final report | {_told(_opened(node))} |"


def _again(cue: Cue) -> str:
    return f", and again every {AGAIN_MS / 1000:g} s until its final report" if cue.again else ""


def _opened(node: NodeSite) -> Inputs:
    return homes(node, False)


def _told(inputs: Inputs) -> str:
    return ", ".join(f"`{sensor}` {'closed' if level else 'open'} +{ms}" for sensor, level, ms in inputs)
