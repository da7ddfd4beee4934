"""Benches for a node on a serial line, and the tap on that line."""

from __future__ import annotations
