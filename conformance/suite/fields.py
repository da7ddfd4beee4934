"""The fields of a message that a node has said: a case that needs one which is not there shows nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from conformance.suite.verdict import Unclear


class Fields(dict[str, Any]):
    """The fields of a state message; empty where none came that could be read."""

    def __init__(self, message: str, fields: Mapping[str, Any]) -> None:
        """`message` is its name, for whoever reads why a case could not go on."""
        super().__init__(fields)
        self._message = message

    def __missing__(self, name: str) -> Any:
        """Raises Unclear: what a message has to hold is judged where messages are, and not here."""
        seen = f"a {self._message} without '{name}'" if self else f"no {self._message} that can be read"
        raise Unclear(f"the node said {seen}")
