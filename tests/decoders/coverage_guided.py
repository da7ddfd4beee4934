"""Our decoders under atheris, which looks for bytes that reach code no bytes have reached yet.

python -m tests.decoders.coverage_guided [LIBFUZZER OPTIONS] [CORPUS]

The first byte chooses what the others are read as. An exception, a second's hang or half a gigabyte ends it with
the bytes that did it. The corpus begins with the vectors.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import atheris

with atheris.instrument_imports(include=["protocol", "conformance.bench"]):
    from protocol.specification import specification
    from tests.decoders.verdicts import packet_is_told, payload_is_judged

from tests.protocol.vectors import vectors

MESSAGES = sorted(specification().messages)


def one_input(data: bytes) -> None:
    """Judge one string of bytes."""
    if not data:
        return
    choice, payload = data[0], data[1:]
    if choice % 16 < len(MESSAGES):
        payload_is_judged(MESSAGES[choice % 16], payload)
    else:
        packet_is_told(payload)


def main() -> None:
    """Fuzz until the options say enough."""
    with TemporaryDirectory() as folder:
        for number, vector in enumerate(vectors()):
            choice = bytes([MESSAGES.index(vector.message)])
            (Path(folder) / str(number)).write_bytes(choice + vector.payload)
        options = ["-timeout=1", "-rss_limit_mb=512", "-max_len=600"]
        atheris.Setup([sys.argv[0], *options, *sys.argv[1:], folder], one_input)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
