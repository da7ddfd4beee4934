"""Cases of one payload: valid at the edges of the schema, nearly valid, hostile, and on topics that nearly match.

Orders and flaws are hypothesis strategies made from the schemas, so a message or an act is fuzzed the day it is
added. The hostile payloads are a list, and each has its turn before one comes again.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Any

from hypothesis import strategies as st

from conformance.fuzz.hostile import all_hostile
from conformance.fuzz.motion import moving_acts
from conformance.fuzz.mutations import MUTATIONS
from conformance.fuzz.steps import Case, Step
from conformance.fuzz.strategies import bodies, drawn, flaws
from protocol.specification import specification

ENCODINGS = ("json", "cbor")
SET_BY_PLAYER = ("act", "boot", "id", "deadline")
ROUND = 90
"""Cases drawn at once."""
HOSTILE = 30
"""Hostile payloads among them."""
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

    def __init__(self, seed: int, *, motion: bool) -> None:
        """Without `motion` no act is drawn that may move a machine."""
        self._seed = seed
        acts = tuple(act for act in specification().acts if motion or act not in moving_acts())
        self._strategy = _any_step(acts)
        hostile = [_hostile_step(one.name, one.source, one.payload) for one in all_hostile()]
        Random(seed).shuffle(hostile)
        self._hostile = hostile

    def cases(self, round_: int) -> Iterator[Case]:
        """The cases of one round, counted from 0."""
        steps = list(drawn(self._strategy, ROUND - HOSTILE, f"{self._seed}/{round_}"))
        begin = round_ * HOSTILE
        steps += [self._hostile[at % len(self._hostile)] for at in range(begin, begin + HOSTILE)]
        Random(f"{self._seed}/{round_}/order").shuffle(steps)
        return ((step,) for step in steps)


def _any_step(acts: tuple[str, ...]) -> st.SearchStrategy[Step]:
    act = st.sampled_from(acts)
    other = st.sampled_from([name for name in specification().messages if name != "job-order"])
    kinds = [
        act.flatmap(at_edges), act.flatmap(at_edges), act.flatmap(spoilt), act.flatmap(spoilt),
        act.flatmap(nearly_valid), act.flatmap(nearly_valid), other.flatmap(no_order), elsewhere(),
    ]  # fmt: skip
    return st.one_of(kinds)


def _order(act: str, says: str, body: dict[str, Any], **fields: Any) -> Step:
    own = {name: value for name, value in body.items() if name not in SET_BY_PLAYER}
    return Step("order", says, {"act": act, **fields, **own})


@st.composite
def at_edges(draw: st.DrawFn, act: str) -> Step:
    """A valid order whose fields lie at edges; id and boot fit, so that it is looked at."""
    body = draw(bodies("job-order", act))
    boot = draw(st.sampled_from(("now", "now", "now", "other")))
    encoding = draw(st.sampled_from(ENCODINGS))
    return _order(act, f"{act} at the edges of its fields", body, boot=boot, encoding=encoding)


@st.composite
def nearly_valid(draw: st.DrawFn, act: str) -> Step:
    """An order that breaks one rule of its schema."""
    body = draw(bodies("job-order", act))
    what, broken = draw(flaws("job-order", act))
    return _order(act, f"{act} {what}", body, broken=broken, encoding=draw(st.sampled_from(ENCODINGS)))


@st.composite
def spoilt(draw: st.DrawFn, act: str) -> Step:
    """A good order whose bytes were spoilt."""
    body = draw(bodies("job-order", act))
    name = draw(st.sampled_from(list(MUTATIONS)))
    mutation = [name, draw(st.integers(0, NUMBERS - 1))]
    return _order(act, f"{act} {name}", body, mutation=mutation, encoding=draw(st.sampled_from(ENCODINGS)))


@st.composite
def no_order(draw: st.DrawFn, message: str) -> Step:
    """A message of another kind on the topic of orders."""
    fields = {"message": message, "body": draw(bodies(message)), "encoding": draw(st.sampled_from(ENCODINGS))}
    return Step("message", f"a {message} for an order", fields)


def elsewhere() -> st.SearchStrategy[Step]:
    """A harmless order on a topic that is not quite the node's."""
    return st.sampled_from(list(TOPICS)).map(
        lambda says: Step("order", f"a claim on {says}", {"act": "claim", "topic": TOPICS[says]})
    )


def _hostile_step(name: str, source: str, payload: bytes) -> Step:
    return Step("bytes", f"{name} ({source})", {"hex": payload.hex()})
