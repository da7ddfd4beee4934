"""Marks for tests that run a program pip cannot install: skipped where it is missing, and loudly."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

# Debian puts daemons where a user's PATH does not look.
PLACES = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin"))
PACKAGES = {
    "avr-gcc": "gcc-avr avr-libc",
    "chromium": "chromium",
    "clang": "clang",
    "g++": "g++",
    "gcc": "gcc",
    "mosquitto_pub": "mosquitto-clients",
    "openssl": "openssl",
}


def is_there(program: str) -> bool:
    """Whether `program` is on this machine."""
    return shutil.which(program, path=PLACES) is not None


def header_is_there(name: str) -> bool:
    """Whether the C header `name` is where compilers look."""
    folders = (Path("/usr/include"), Path("/usr/local/include"), Path("/opt/homebrew/include"))
    return any((folder / name).is_file() for folder in folders)


def needs(program: str) -> pytest.MarkDecorator:
    """Skip the test, with a reason nobody overlooks, where `program` is not installed."""
    package = PACKAGES.get(program, program)
    return pytest.mark.skipif(
        not is_there(program),
        reason=f"NOT TESTED: {program!r} is not on this machine (Debian: apt install {package})",
    )


def needs_header(name: str, package: str) -> pytest.MarkDecorator:
    """Skip the test as loudly where the C header `name`, of a Debian package, is not installed."""
    return pytest.mark.skipif(
        not header_is_there(name),
        reason=f"NOT TESTED: {name!r} is not on this machine (Debian: apt install {package})",
    )
