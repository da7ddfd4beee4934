"""What a layout does that is switched off when its work is done: it is part of no run, and no difference."""

from __future__ import annotations

from collections.abc import Mapping

from conformance.recordings.diff.event_log import EventLog, EventSequence
from conformance.recordings.diff.meanings import Meaning

GONE: tuple[Meaning, ...] = (("node-status", "off"), ("silence",))


def without_switching_off(log: EventLog, spoke_us: Mapping[str, int]) -> dict[str, int]:
    """Take off the end of each node what it did from when it was switched off; gives the lengths that are left.

    `spoke_us` is when each node was last heard. A node is switched off where it goes when all work is done and
    does not come back as long as a supervisor is there: if it does, it was reset. What is switched on in the next
    evening before its supervisor goes too.
    """
    words = log.names.meanings
    worked_us = max(
        (
            at_us
            for one in log.sequences.values()
            for at_us, meaning in zip(one.at_us, one.meanings, strict=True)
            if words[meaning][0] in ("job-order", "job-report")
        ),
        default=-1,
    )
    there_us = max(
        (spoke_us.get(name, 0) for name in log.sequences if _supervises(log, name)), default=log.end_us
    )
    lengths = {}
    for name, sequence in log.sequences.items():
        lengths[name] = length = _switched_off(sequence, words, worked_us, there_us)
        for numbers in sequence.arrays():
            del numbers[length:]
    return lengths


def _supervises(log: EventLog, name: str) -> bool:
    words = log.names.meanings
    return any(
        words[meaning][0] == "node-status" and "supervisor" in words[meaning]
        for meaning in log.sequences[name].meanings
    )


def _switched_off(sequence: EventSequence, words: list[Meaning], worked_us: int, there_us: int) -> int:
    """The index at which a node goes for good; the length where it does not."""
    length = len(sequence)
    for index in range(len(sequence) - 1, -1, -1):
        at_us, gone = sequence.at_us[index], words[sequence.meanings[index]] in GONE
        if at_us <= worked_us or (not gone and at_us <= there_us):
            break
        if gone:
            length = index
    return length
