"""Cases of one payload: valid at the edges of the schema, nearly valid, hostile, and on topics that nearly match.

Orders and flaws are hypothesis strategies made from the schemas, so a message or an act is fuzzed the day it is
added. The hostile payloads are a list, and each has its turn before one comes again.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Any

from hypothesis import strategies as st

from conformance.fuzz.generate.hostile import all_hostile
from conformance.fuzz.generate.motion import moving_acts
from conformance.fuzz.generate.mutations import MUTATIONS, OF_TEXTS
from conformance.fuzz.generate.steps import Case, Step
from conformance.fuzz.generate.strategies import bodies, drawn, flaws
from protocol.codec.shape import shape_of
from protocol.specification import specification

SET_BY_PLAYER = ("act", "boot", "id", "deadline")
ROUND = 90
"""Cases drawn at once."""
HOSTILE = 30
"""Hostile payloads among them."""
DRAWS = 14
"""Draws of hypothesis that give the others."""
SPOILT = 4
"""Ways in which one good order is spoilt."""
NUMBERS = 2**16
TOPICS = {
    "a topic with a slash behind": "{own}/",
    "a topic one level deeper": "{own}/x",
    "a topic with an empty level": "yw1//job-order",
    "the topic of a neighbour": "zz",
    "a topic in capitals": "YW1/x/y/JOB-ORDER",
    "the topic of all": "all",
}


class Payloads:
    """Gives cases of one payload without end, the same for the same seed."""

    def __init__(self, seed: int, reads: str, *, motion: bool) -> None:
        """`reads` is what the node reads: json, cbor or both. Without `motion` no act is drawn that may move."""
        self._seed = seed
        acts = tuple(act for act in specification().acts if motion or act not in moving_acts())
        self._strategy = any_steps(acts, ("json", "cbor") if reads == "both" else (reads,))
        hostile = [
            Step("bytes", f"{one.name} ({one.source})", {"hex": one.payload.hex()}) for one in all_hostile()
        ]
        Random(seed).shuffle(hostile)
        self._hostile = hostile

    def cases(self, round_: int) -> Iterator[Case]:
        """The cases of one round, counted from 0."""
        groups = drawn(self._strategy, DRAWS, f"{self._seed}/{round_}")
        steps = [step for group in groups for step in group][: ROUND - HOSTILE]
        begin = round_ * HOSTILE
        steps += [self._hostile[at % len(self._hostile)] for at in range(begin, begin + HOSTILE)]
        Random(f"{self._seed}/{round_}/order").shuffle(steps)
        return ((step,) for step in steps)


def any_steps(acts: tuple[str, ...], encodings: tuple[str, ...]) -> st.SearchStrategy[list[Step]]:
    """One order good, with a flaw and spoilt; or, seldom, what is no order for this node."""
    others = [name for name in specification().messages if name != "job-order"]
    act, other, encoding = map(st.sampled_from, (acts, others, encodings))
    orders = st.builds(one_order, act, encoding).flatmap(lambda steps: steps)
    strangers = st.builds(no_order, other, encoding).flatmap(lambda step: step)
    return st.one_of(orders, orders, orders, orders, st.tuples(strangers, elsewhere()).map(list))


def _order(act: str, says: str, body: dict[str, Any], **fields: Any) -> Step:
    own = {name: value for name, value in body.items() if name not in SET_BY_PLAYER}
    return Step("order", says, {"act": act, **fields, **own})


@st.composite
def one_order(draw: st.DrawFn, act: str, encoding: str) -> list[Step]:
    """An order with its fields at edges: as it is, with one rule of its schema broken, and with spoilt bytes.

    Id and boot fit mostly, so that it is looked at.
    """
    body = draw(bodies("job-order", act))
    boot = draw(st.sampled_from(("now", "now", "now", "other")))
    what, broken = draw(flaws("job-order", act))
    return [
        _order(act, f"{act} at the edges of its fields", body, boot=boot, encoding=encoding),
        _order(act, f"{act} {what}", body, broken=broken, encoding=encoding),
        *(
            _order(act, f"{act} {name}", body, mutation=[name, number], encoding=encoding)
            for name, number in draw(_spoilt(act, encoding, body))
        ),
    ]


def _spoilt(act: str, encoding: str, body: dict[str, Any]) -> st.SearchStrategy[list[tuple[str, int]]]:
    texts = encoding == "cbor" and any(
        "maxLength" in shape_of("job-order", act).fields[one].schema for one in body
    )
    # Texts are copied by hand in firmware, and few orders have one: where there is one it is spoilt more often.
    names = [name for name in MUTATIONS if name not in OF_TEXTS] + 3 * sorted(OF_TEXTS) * texts
    way = st.tuples(st.sampled_from(names), st.integers(0, NUMBERS - 1))
    return st.lists(way, min_size=SPOILT, max_size=SPOILT)


@st.composite
def no_order(draw: st.DrawFn, message: str, encoding: str) -> Step:
    """A message of another kind on the topic of orders."""
    fields = {"message": message, "body": draw(bodies(message)), "encoding": encoding}
    return Step("message", f"a {message} for an order", fields)


def elsewhere() -> st.SearchStrategy[Step]:
    """A harmless order on a topic that is not quite the node's."""
    return st.sampled_from(list(TOPICS)).map(
        lambda says: Step("order", f"a claim on {says}", {"act": "claim", "topic": TOPICS[says]})
    )
