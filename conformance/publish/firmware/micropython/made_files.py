"""The files of the node in MicroPython that are made from the specification."""

from __future__ import annotations

from conformance.publish.firmware.micropython.order_desk import order_desk
from conformance.publish.firmware.micropython.tables import tables
from protocol.specification import Specification

FOLDER = "reference_node/firmware/micropython/yardwire_node"


def made_files(spec: Specification) -> dict[str, str]:
    """Name in the package to text."""
    return {"tables.py": tables(spec), "order_desk.py": order_desk(spec)}
