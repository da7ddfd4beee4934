"""The alternating bit protocol over channels of one message that lose (K. A. Bartlett, R. A. Scantlebury,
P. T. Wilkinson, CACM 12(5), 1969); step for step what `alternating_bit.pml` says.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

NOTHING = 2
"""An empty channel."""


class State(NamedTuple):
    """Bit of the sender, bit that the receiver waits for, frame and acknowledgement under way, item sent and taken."""

    sends: int = 0
    waits: int = 0
    frame: int = NOTHING
    payload: int = 0
    acknowledges: int = NOTHING
    item: int = 0
    taken: int = 0
    wrong: int = 0


ITEMS = 4
"""Items are numbered modulo this."""


class AlternatingBit:
    """Sender and receiver."""

    def first(self) -> State:
        return State()

    def is_agreed(self, state: State) -> bool:
        return state.frame == NOTHING and state.acknowledges == NOTHING

    def edges(self, state: State) -> Sequence[tuple[object, State, bool, str]]:
        out: list[tuple[object, State, bool, str]] = []
        if state.frame == NOTHING:
            after = state._replace(frame=state.sends, payload=state.item)
            out.append(("send", after, False, ""))
        if state.frame != NOTHING:
            gone = state._replace(frame=NOTHING, payload=0)
            out.append(("lose the frame", gone, True, ""))
            if state.acknowledges == NOTHING:
                out.append(("receive", _received(state), False, ""))
        if state.acknowledges != NOTHING:
            gone = state._replace(acknowledges=NOTHING)
            out.append(("lose the acknowledgement", gone, True, ""))
            if state.acknowledges == state.sends:
                gone = gone._replace(sends=1 - state.sends, item=(state.item + 1) % ITEMS)
            out.append(("hear", gone, False, ""))
        return [
            (label, after, lossy, "an item twice or never" * after.wrong) for label, after, lossy, _ in out
        ]


def _received(state: State) -> State:
    after = state._replace(frame=NOTHING, payload=0, acknowledges=state.frame)
    if state.frame != state.waits:
        return after
    wrong = int(state.payload != state.taken)
    return after._replace(waits=1 - state.waits, taken=(state.taken + 1) % ITEMS, wrong=wrong)
