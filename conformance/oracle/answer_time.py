"""How long an answer of a node may take: its limit, and what stalls, disturbances and a serial line add to it."""

from __future__ import annotations

from conformance.oracle.disturbances import Disturbances
from conformance.oracle.order_reading import LOOKED_BACK_MS, Stalled


class AnswerTime:
    """The time by which what came before an instant has to be answered."""

    def __init__(
        self, answer_ms: float, disturbances: Disturbances, stalled: Stalled, carried: Stalled
    ) -> None:
        """`answer_ms`: the limit with the way there and back; endless where nobody knows when an order came.

        `stalled` and `carried` tell for how many ms between two instants the test machine stood still and the serial
        line was at work.
        """
        self._answer_ms, self._disturbances = answer_ms, disturbances
        self._stalled, self._carried = stalled, carried

    def within_ms(self, at_ms: float) -> float:
        """So long before an instant an order came that has to be answered by then."""
        still_ms = self._stalled(at_ms - LOOKED_BACK_MS, at_ms)
        least_ms = self._answer_ms + still_ms + self._disturbances.delays(at_ms)
        within_ms = least_ms
        while within_ms < least_ms + LOOKED_BACK_MS:
            longer_ms = least_ms + self._carried(at_ms - within_ms, at_ms)
            if longer_ms <= within_ms:
                break
            within_ms = longer_ms
        return within_ms
