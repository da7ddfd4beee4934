"""How long the disk will last, and who makes room on it while a recorder goes on."""

from __future__ import annotations

import shutil
import sys
from collections import deque
from contextlib import suppress
from pathlib import Path

from conformance.bench.processes.child import Child

LOOK_US = 10_000_000
"""How often the disk is looked at."""
LOOKS = 360
"""An hour of looks: what was written meanwhile says how long the rest lasts."""
LEAST_US = 60_000_000
"""What was written in less time says nothing."""
NEAR_S = 3600.0
TOLD_S = 30 * 86_400.0


class DiskWatch:
    """Looks at the free room of a folder's disk; times are us of the caller's clock."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._next_us = 0
        self._seen: deque[tuple[int, int]] = deque(maxlen=LOOKS)
        self.left_s: float | None = None
        """How long the disk lasts at the rate of the last hour; None where that is not known yet."""

    def look(self, now_us: int, written: int) -> bool:
        """Look, if it is time; whether it was. `written` are the bytes that the recorder has written so far."""
        if now_us < self._next_us:
            return False
        self._next_us = now_us + LOOK_US
        self._seen.append((now_us, written))
        began_us, began = self._seen[0]
        if now_us - began_us < LEAST_US or written <= began:
            return True
        with suppress(OSError):
            rate = (written - began) / ((now_us - began_us) / 1e6)
            self.left_s = shutil.disk_usage(self._folder).free / rate
        return True

    @property
    def is_near(self) -> bool:
        """Whether it will be full within the hour."""
        return self.left_s is not None and self.left_s < NEAR_S

    @property
    def told(self) -> str:
        """When it will be full, in words; '' where that is far off or not known."""
        if self.left_s is None or self.left_s > TOLD_S:
            return ""
        for unit, seconds in (("days", 86_400.0), ("hours", 3600.0), ("minutes", 60.0)):
            if self.left_s >= 2 * seconds:
                return f"the disk will be full in about {self.left_s / seconds:.0f} {unit}"
        return "the disk will be full within two minutes"


class Thinning:
    """Has old files thinned out by a process of its own whenever there is a new one: a recorder waits for nothing."""

    def __init__(self, folder: Path, keep: int) -> None:
        """`keep` is how many bytes all recordings of the folder may take."""
        self._folder, self._keep = folder, keep
        self._files = 1
        self._child: Child | None = None

    def look(self, files: int) -> None:
        """Start it where the recorder has begun another file since."""
        if files == self._files or (self._child is not None and self._child.poll() is None):
            return
        self._files = files
        words = ["runs", "thin", str(self._folder), "--keep", str(self._keep), "--yes"]
        with suppress(OSError):
            self._child = Child([sys.executable, "-m", "conformance.commands.main", *words])
