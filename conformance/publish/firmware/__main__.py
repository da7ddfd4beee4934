"""Writes the made files of the firmware core anew."""

from __future__ import annotations

from conformance.publish.firmware.core_files import FOLDER, core_files
from conformance.publish.site import sources
from protocol.specification import specification

if __name__ == "__main__":
    for name, text in core_files(specification()).items():
        (sources.home() / FOLDER / name).write_text(text, encoding="utf-8")
