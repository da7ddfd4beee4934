"""What a fuzz case is made of: steps that mean the same to a node in any boot.

An order is kept by its relations (the next id, the last job's, this boot, another), not by its numbers, so
that it can be played again after a reset, and left out of a longer case without changing the rest.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

Fields = Mapping[str, Any]

IDS = ("next", "last-job", "last-sent", "mark", "below-mark", "jump")
BOOTS = ("now", "other", "before")
DEADLINES = ("soon", "lead", "past", "long-past")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done to the node.

    kind      order | bytes | retained | again | sensors | wait | cut | mute | deaf | slow
    says      in words, for a sentence of a finding
    fields    what the kind needs; see `Player`
    """

    kind: str
    says: str
    fields: Fields = field(default_factory=dict)

    @property
    def link(self) -> bool:
        """Whether it is done to the link and not to the node."""
        return self.kind in ("cut", "mute", "deaf", "slow")


Case = tuple[Step, ...]


def order(act: str, says: str = "", **fields: Any) -> Step:
    """An order by its relations: `id_`, `boot`, `deadline`, `topic`, `encoding`, `mutation`, and fields."""
    return Step("order", says or act, {"act": act, **fields})


def wait(ms: int) -> Step:
    """Let time pass."""
    return Step("wait", f"{ms} ms later", {"ms": ms})


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
