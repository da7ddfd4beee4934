"""What of the node in MicroPython follows from the specification or a site file."""

from __future__ import annotations
