"""The node in MicroPython keeps to the exchanges, by MicroPython itself, each from a start of its own."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from protocol.site import Encoding
from protocol.site_file import scenario
from tests.exchanges.make import NODES
from tests.exchanges.playing import files, over, play
from tests.micropython.interpreter import needs_micropython
from tests.micropython.participant import MicroPythonNode

pytestmark = needs_micropython
SAMPLE = 27


def difference(
    folder: Path, document: Mapping[str, Any], exchange: Mapping[str, Any], encoding: Encoding
) -> str:
    """What the node differs in; '' where it does not."""
    name, made = document["node"]["name"], list[MicroPythonNode]()

    def make(_boot: int, now_ms: int) -> MicroPythonNode:
        made.append(MicroPythonNode(folder, scenario(), name, boot=document["boot"], now_ms=now_ms))
        return made[-1]

    try:
        return play(over(make, scenario(), name), exchange, encoding)
    finally:
        for node in made:
            node.stop()


def differences(folder: Path, role: str, part: int) -> dict[str, str]:
    document = files()[role]
    reads = scenario().nodes[NODES[role]].reads
    encodings = tuple(Encoding) if reads == "both" else (Encoding(reads),)
    found = {
        one["name"]: difference(folder, document, one, encodings[number % len(encodings)])
        for number, one in enumerate(document["exchanges"][::part])
    }
    return {name: told for name, told in found.items() if told}


@pytest.mark.parametrize("role", NODES)
def test_the_node_in_micropython_keeps_to_a_sample(role: str, tmp_path: Path) -> None:
    assert differences(tmp_path, role, SAMPLE) == {}


@pytest.mark.exhaustive
@pytest.mark.parametrize("role", NODES)
def test_the_node_in_micropython_keeps_to_all_of_them(role: str, tmp_path: Path) -> None:
    assert differences(tmp_path, role, 1) == {}
