"""Marks for tests that run a program pip cannot install: skipped where it is missing, and loudly."""

from __future__ import annotations

import os
import shutil

import pytest

# Debian puts daemons where a user's PATH does not look.
PLACES = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin"))
PACKAGES = {"avr-gcc": "gcc-avr avr-libc", "chromium": "chromium", "gcc": "gcc", "openssl": "openssl"}


def needs(program: str) -> pytest.MarkDecorator:
    """Skip the test, with a reason nobody overlooks, where `program` is not installed."""
    package = PACKAGES.get(program, program)
    return pytest.mark.skipif(
        shutil.which(program, path=PLACES) is None,
        reason=f"NOT TESTED: {program!r} is not on this machine (Debian: apt install {package})",
    )
