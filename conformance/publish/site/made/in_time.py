"""docs/protocol/in-time.md: every 'in time' and every limit in time, with its number."""

from __future__ import annotations

import re
from collections.abc import Iterator

from conformance.publish.site.made.faults import limit
from conformance.suite import fixture, jobs, preamble
from protocol.site_file import scenario
from protocol.specification import Specification

HEAD = """# Every 'in time', with its number

Made from [`timing.toml`](../../protocol/v1/timing.toml), [`faults.toml`](../../protocol/v1/faults.toml) and
the requirements by `python -m conformance.publish.site.made`. What differs from yard to yard is a field of
the [site file](site-fields.md); the last column shows it for `harlow-basin`.

## Where a requirement says 'in time'

| requirement or fault | in time is | in harlow-basin |
|---|---|---|"""

DEADLINE = "the deadline of the order is not before the node's uptime, as a signed difference of 32 bits"


def in_time_document(spec: Specification) -> str:
    """The document, as Markdown."""
    return "\n".join([HEAD, *_in_time(spec), *_figures(spec), *_waits(spec)])


def _in_time(spec: Specification) -> Iterator[str]:
    for rule in spec.requirements.values():
        if re.search(r"\bin time\b", rule.says):
            named = [code for code in spec.faults if f"'{code}'" in rule.says]
            if not named:
                yield f"| `{rule.id}` | {DEADLINE} | as the order says |"
            for code in named:
                yield f"| `{rule.id}`, `{code}` | {limit(spec.faults[code])} | {_example(spec.faults[code].within)} |"
    told = {code for rule in spec.requirements.values() for code in spec.faults if f"'{code}'" in rule.says}
    for code, one in spec.faults.items():
        if one.within and code not in told:
            yield f"| `{code}` | {limit(one)} | {_example(one.within)} |"


def _example(within: str) -> str:
    part, _, field = within.partition(".")
    values = {
        f"{getattr(machine, field)} ms"
        for node in scenario().nodes.values()
        if (machine := getattr(node, part)) is not None
    }
    return " or ".join(sorted(values))


def _figures(spec: Specification) -> Iterator[str]:
    yield "\n## Limits in time of the protocol\n"
    yield "The same for every yard. The requirements that name one, and what it is:\n"
    yield "| time | is | requirements | what it is |\n|---|---|---|---|"
    for name, figure in spec.timing.items():
        rules = [rule.id for rule in spec.requirements.values() if name in rule.figures]
        named = ", ".join(f"`{id_}`" for id_ in rules) or "none: it binds nobody who sends"
        yield f"| `{name}` | {figure} | {named} | {figure.meaning} |"
    repeat = spec.timing["state_repeat"]
    yield f"""
**While an axis moves.** `MSG-01` asks for a message on every change. The position of an axis that moves is no
such change, nor are `seq`, `uptime` and `mark` by themselves: while it moves a crane-status is due at least
every {repeat} (`MSG-02`), and at once when anything else in it changes: mode, target, `homed`, spreader,
load, held, job state. The reference node and both cores say it every 500 ms while something moves, so that a
page follows; more often than ten times a second helps nobody and fills a small broker.
"""


def _waits(spec: Specification) -> Iterator[str]:
    answer = spec.most_ms("answer")
    margin, lead = jobs.MARGIN_MS, fixture.LEAD_MS
    yield f"""## How long the kit waits

The kit judges by the times above, stretched by `--slow`. It waits longer, so that an answer which comes late
is told from none:

| for | it waits |
|---|---|
| the answer to an order | {fixture.PATIENCE} times {answer} ms; it is judged late after {answer} ms and what the path adds |
| a job to start | until its deadline, {lead} ms ahead |
| a crane's job to end | `crane.job_timeout_ms` + {lead + margin} ms |
| an admit to end | `berth.arming_timeout_ms` + `berth.end_timeout_ms` + {lead + margin} ms |
| a depart to end | `berth.arming_timeout_ms` + `berth.end_timeout_ms` + `berth.clear_ms` + {lead + margin} ms |
| a run to end | `shuttle.run_timeout_ms` + {lead + margin} ms |
| a loss of motor power to be noticed | {preamble.POWER_NOTICED_MS} ms; a node need not notice it |
| a repeat that is late | the limit and {spec.timing["repeat_tolerance"].value} % (`repeat_tolerance`) |
"""
