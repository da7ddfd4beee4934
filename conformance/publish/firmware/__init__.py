"""What of the firmware core follows from the specification or a site file, written as C99."""

from __future__ import annotations
