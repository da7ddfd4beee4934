"""What a fuzz case is made of: steps that mean the same to a node in any boot.

An order is kept by its relations (the next id, the last job's, this boot, another), not by its numbers, so
that it can be played again after a reset, and left out of a longer case without changing the rest.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from conformance.fuzz.link import FAULTS, LINE_FAULTS
from protocol.specification import specification

Fields = Mapping[str, Any]

IDS = ("next", "last-job", "last-sent", "mark", "below-mark", "jump")
BOOTS = ("now", "other", "before")
LEADS_MS = {"soon": 10_000, "lead": 30_000, "at-once": 500, "past": -3000, "long-past": -(2**30)}
"""How far ahead of the node's own time a deadline lies."""
RELATIONS = frozenset({"act", "id_", "boot", "deadline", "topic", "encoding", "mutation", "broken", "flood"})
"""Fields of a step that are none of the order's own."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done to the node.

    kind      order | bytes | message | retained | again | sensors | finish | wait | link | calm | fence | rest | proof
    says      in words, for a sentence of a finding
    fields    what the kind needs; see `Player`
    """

    kind: str
    says: str
    fields: Fields = field(default_factory=dict)


Case = tuple[Step, ...]


def order(act: str, says: str = "", **fields: Any) -> Step:
    """An order by its relations: `id_`, `boot`, `deadline`, `topic`, `encoding`, `mutation`, and fields."""
    return Step("order", says or act, {"act": act, **fields})


def wait(ms: int) -> Step:
    """Let time pass."""
    return Step("wait", f"{ms} ms later", {"ms": ms})


def fence() -> Step:
    """Wait until all that was sent has been handled."""
    return Step("fence", "an answered ask")


REST = Step("rest", "brought to rest")
"""What is open is ended, until a job would be accepted."""
PROOF = Step("proof", "a claim and an ask")
"""A known-good exchange."""


def disturbed(fault: str, ms: int, *steps: Step) -> Case:
    """A fault of the link, and what is done while it lasts."""
    return (
        Step("link", (FAULTS | LINE_FAULTS)[fault], {"fault": fault, "ms": ms}),
        *steps,
        Step("calm", "the link is well again"),
    )


def simpler(step: Step) -> Iterator[Step]:
    """The same step with one of its optional fields left out, each in turn."""
    act = step.fields.get("act")
    if step.kind != "order" or act not in specification().acts:
        return
    schema = specification().acts[act]
    optional = set(schema["properties"]) - set(schema["required"])
    for name in step.fields:
        if name in optional or name in ("flood", "encoding"):
            fields = {key: value for key, value in step.fields.items() if key != name}
            yield Step(step.kind, step.says, fields)


def to_text(steps: Sequence[Step]) -> str:
    """Steps as JSON, for the note in a recording."""
    return json.dumps([asdict(step) for step in steps], separators=(",", ":"))


def from_text(text: str) -> Case:
    """The steps of `to_text`. Raises ValueError for anything else."""
    try:
        return tuple(
            Step(str(row["kind"]), str(row["says"]), dict(row["fields"])) for row in json.loads(text)
        )
    except (TypeError, KeyError) as error:
        raise ValueError(f"no steps of a fuzz case: {error}") from error


def sentence(steps: Sequence[Step]) -> str:
    """The case in words; runs of the same step are counted."""
    words: list[str] = []
    runs: list[int] = []
    for step in steps:
        if words and words[-1] == step.says:
            runs[-1] += 1
        else:
            words.append(step.says)
            runs.append(1)
    return ", then ".join(
        word if run == 1 else f"{run} times {word}" for word, run in zip(words, runs, strict=True)
    )
