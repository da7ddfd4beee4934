"""A node on a serial line: frames, what both ends say of the bus, and the gateway between the line and MQTT."""

from __future__ import annotations
