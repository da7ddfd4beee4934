"""Which messages somebody wants to see."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from conformance.recordings.message_summary import MessageSummary
from protocol.codec.shape import shape_of
from protocol.specification import specification
from protocol.trouble import Trouble

Test = Callable[[Mapping[str, Any]], bool]


@dataclass(frozen=True, slots=True)
class Filter:
    """All that is not None has to hold. Times in ms of the recording."""

    nodes: frozenset[str] | None = None
    messages: frozenset[str] | None = None
    job: int | None = None
    since_ms: float = 0
    until_ms: float = float("inf")
    valid: bool | None = None
    retained: bool | None = None
    where: Test | None = None

    def __call__(self, line: MessageSummary) -> bool:
        """Whether `line` is wanted."""
        return (
            (self.nodes is None or line.node in self.nodes or line.speaker in self.nodes)
            and (self.messages is None or line.message in self.messages)
            and self.in_time(line.at_ms)
            and (self.retained is None or line.retained == self.retained)
            and (self.valid is None or bool(line.findings) != self.valid)
            and (self.job is None or self.job in (line.body.get(name) for name in ("id", "job", "ref")))
            and (self.where is None or self.where(line.body))
        )

    def in_time(self, at_ms: float) -> bool:
        """Whether that time is wanted."""
        return self.since_ms <= at_ms <= self.until_ms


def job_id(text: str) -> int:
    """An order id as a number, or as tables show it: '#1.8f2.3'. Raises Trouble."""
    if text.isdecimal():
        return int(text)
    found = re.fullmatch(r"#?([0-9]+)\.([0-9a-f]{1,3})\.([0-9]{1,3})", text)
    if found is None:
        raise Trouble(f"{text!r} is not an order id", fix="Write it as a number, or as 'show' does: 1.8f2.3")
    return int(found[1]) << 20 | int(found[2], 16) << 8 | int(found[3])


class FieldTest:
    """A comparison of fields as in a JSONPath filter (RFC 9535): `@.axes[0][0] > 400 && @.held`."""

    def __init__(self, expression: str) -> None:
        """Raises Trouble for what is none."""
        import jsonpath

        self._expression = expression
        try:
            self._path = jsonpath.compile(f"$[?{expression}]", strict=True)
        except jsonpath.JSONPathError as error:
            fix = "Write a comparison of fields, such as '@.axes[0][0] > 400' or '@.reason == \"busy\"'"
            what = str(error).partition("\n")[0]
            raise Trouble(f"invalid filter: {what}", where=f"--where {expression}", fix=fix) from None
        self._unseen = {first or second for first, second in FIELD.findall(expression)}

    def __call__(self, body: Mapping[str, Any]) -> bool:
        """Whether the comparison holds; it does not for what could not be read."""
        if not body:
            return False
        self._unseen -= body.keys()
        return bool(self._path.findall([body]))

    def check(self) -> None:
        """After the last message. Raises Trouble for a field that no message had and the protocol does not know."""
        known = {name for message in specification().messages for name in shape_of(message).fields}
        known |= {name for act in specification().acts for name in shape_of("job-order", act).fields}
        for name in sorted(self._unseen - known):
            near = get_close_matches(name, known, 1)
            fix = f"Did you mean {near[0]}?" if near else "The pages of the messages list their fields"
            raise Trouble(f"no message has a field {name!r}", where=f"--where {self._expression}", fix=fix)


FIELD = re.compile(r"""@(?:\.([A-Za-z_]\w*)|\[["']([^"']+)["']\])""")
"""The outermost name of a field in a filter."""
