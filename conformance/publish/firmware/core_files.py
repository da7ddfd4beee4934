"""The files of the firmware core that are made from the specification."""

from __future__ import annotations

from conformance.publish.artefacts.header import header
from conformance.publish.firmware.json_tables import json_tables
from conformance.publish.firmware.machine_tables import machine_tables
from conformance.publish.firmware.order_desk import order_desk
from conformance.publish.firmware.order_table import order_table
from protocol.specification import Specification

FOLDER = "reference_node/firmware/c/src"


def core_files(spec: Specification) -> dict[str, str]:
    """Name in the folder of sources to text."""
    return {
        "yardwire.h": header(spec),
        "yw_order_table.h": order_table(spec),
        "yw_machine_tables.h": machine_tables(spec),
        "yw_desk.h": order_desk(spec),
        "yw_json_tables.h": json_tables(spec),
    }
