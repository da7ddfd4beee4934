"""What lives of a node have in common."""

from __future__ import annotations

from tests.oracle.script import Script

NEXT = 256


def held(script: Script) -> None:
    script.order("hold")
    script.shuttle_says(held=True, holds=1)


def resumed(script: Script, id_: int = NEXT) -> None:
    script.order("resume", boot=7, id=id_, holds=1)
    script.mark = id_
    script.report("resume", id_)
    script.shuttle_says(held=False)
