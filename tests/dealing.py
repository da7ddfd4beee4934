"""In which order files of tests are dealt to the workers: those that take longest first.

pytest-xdist deals the files with the most tests first, and so comes last to a file with one test of two minutes: at the
end one worker is busy and the others wait. How long a file takes is known from an earlier run (`long_files.toml`).
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path

LISTED = Path(__file__).with_name("long_files.toml")
LONG_S = 20
"""From how many seconds on a file has to be listed."""
OFF = 2.0
"""How many times longer or shorter than listed it may take."""


def listed() -> dict[str, float]:
    """Seconds by file."""
    return {name: float(seconds) for name, seconds in tomllib.loads(LISTED.read_text()).items()}


def longest_first(files: Iterable[str], seconds: Mapping[str, float]) -> list[str]:
    """The files, given once a test, in the order in which they are dealt; those not listed by their number of tests."""
    tests = Counter(files)
    return sorted(tests, key=lambda name: (-seconds.get(name, 0.0), -tests[name]))


def not_as_listed(took: Mapping[str, float], seconds: Mapping[str, float]) -> list[str]:
    """A line for each file that ought to be listed and is not, or takes another time than is listed."""
    lines = []
    for name, now in sorted(took.items()):
        before = seconds.get(name)
        if before is None:
            if now >= LONG_S:
                lines.append(f'"{name}" = {now:.0f}  # not listed')
        elif not before / OFF <= now <= before * OFF:
            lines.append(f'"{name}" = {now:.0f}  # listed with {before:.0f}')
    return lines
