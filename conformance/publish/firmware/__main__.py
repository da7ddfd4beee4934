"""Writes the made files of the firmware, in C and in MicroPython, again."""

from __future__ import annotations

from conformance.publish.firmware.core_files import FOLDER as C_FOLDER
from conformance.publish.firmware.core_files import core_files
from conformance.publish.firmware.micropython.made_files import FOLDER, made_files
from conformance.publish.site import sources
from protocol.specification import specification

if __name__ == "__main__":
    for folder, files in ((C_FOLDER, core_files(specification())), (FOLDER, made_files(specification()))):
        for name, text in files.items():
            (sources.home() / folder / name).write_text(text, encoding="utf-8")
