"""Where a crane has to go: places, slots, and the measured table of a track."""


class Places:
    """The places of one crane, as the site file has them: kind, slots, and for a track (reading, position) pairs."""

    def __init__(self, places: dict) -> None:
        self._places = places

    def find(self, order: dict, place: str, slot: str) -> tuple | None:
        """One end of a transfer, or None where the crane does not know it or the order does not say enough [CRN-07]."""
        known = self._places.get(order[place])
        if known is None or order[slot] >= len(known["slots"]):
            return None
        needed = {"track": "reading", "deck": "stop"}.get(known["kind"])
        if needed is not None and needed not in order:
            return None
        return order[place], order[slot]

    def kind(self, where: tuple) -> str:
        """Kind of the place of one end."""
        return self._places[where[0]]["kind"]

    def is_measured(self, where: tuple, reading: int) -> bool:
        """Whether a reading was measured: outside the table the line is a guess [CRN-06]."""
        table = self._places[where[0]]["table"]
        return not table or table[0][0] <= reading <= table[-1][0]

    def position(self, axis: int, where: tuple, reading: int) -> int:
        """Where an axis has to be over a slot."""
        known = self._places[where[0]]
        position = known["slots"][where[1]][axis]
        return position + _shift(known["table"], reading) if axis == 0 else position


def _shift(table: tuple, reading: int) -> int:
    """What the rest of a train adds to the first axis: on the straight line between two measured points."""
    if not table:
        return 0
    after = 1
    while after < len(table) - 1 and reading >= table[after][0]:
        after += 1
    x0, y0 = table[after - 1]
    x1, y1 = table[after]
    over, under = (y1 - y0) * (reading - x0), x1 - x0
    # The nearest, halves away from zero.
    return y0 + ((2 * over + under) // (2 * under) if over >= 0 else -((-2 * over + under) // (2 * under)))
