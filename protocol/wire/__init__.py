"""The links of the protocol: MQTT on the wire, and a bus in virtual time for tests."""

from __future__ import annotations
