"""Questions to a program in MicroPython, all at once, and its answers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tests.micropython.interpreter import FIRMWARE, PROGRAMS, started


def asked(program: str, questions: Sequence[str], folder: Path, package: Path = FIRMWARE) -> list[str]:
    """One answer to each question."""
    process = started(PROGRAMS / program, (), folder, package)
    said, _ = process.communicate("".join(f"{question}\n" for question in questions).encode(), timeout=60)
    answers = said.decode().splitlines()
    assert process.returncode == 0, said.decode()
    assert len(answers) == len(questions), said.decode()[-2000:]
    return answers
