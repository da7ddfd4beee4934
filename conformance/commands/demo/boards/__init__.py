"""Boards that play nodes of the demo: firmware as a process of its own, at a machine of the simulated yard."""

from __future__ import annotations
