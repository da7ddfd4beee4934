"""The ways to read a payload, on a million of any bytes: the same verdict, and no exception."""

from __future__ import annotations

from collections.abc import Iterator
from time import process_time

from benchmarks.row import Row
from protocol.bulk_reading import BulkReader
from tests.decoders.any_bytes import disagreement, payloads

SEED = 2
SHOWN = 10


def rows(number: int) -> Iterator[Row]:
    """How many payloads the ways to read differ on, which has to be none."""
    reader = BulkReader()
    began = process_time()
    differ = 0
    for topic, payload in payloads(SEED, number):
        try:
            found = disagreement(reader, topic, payload)
        except Exception as error:  # noqa: BLE001 - any exception is what is looked for
            found = f"{type(error).__name__}: {error}"
        if found:
            differ += 1
            if differ <= SHOWN:
                print(f"{topic} {payload.hex()}\n    {found}")
    took = process_time() - began
    figures = f"{differ} of {number:,}, {took:.0f} s of processor time, seed {SEED}"
    yield Row("payloads on which BulkReader and read_publication differ", differ, 0, figures)
