"""Versions of the specification, made by editing the one that there is, and what is said of a pair."""

from __future__ import annotations

import copy
from collections.abc import Callable
from importlib import resources
from typing import Any

from conformance.publish.compare.compare import VersionComparison, compare
from protocol.specification import Specification

Edit = Callable[[Any], None]


def version(message: str | None = None, edit: Edit | None = None, **attributes: Any) -> Specification:
    """Version 1 with one schema edited, or with other data in the place of its own."""
    spec = Specification(resources.files("protocol").joinpath("v1"))
    found: dict[str, Any] = {
        "common": copy.deepcopy(spec.common),
        "messages": copy.deepcopy(spec.messages),
        "acts": copy.deepcopy(spec.acts),
        **attributes,
    }
    if edit is not None and message is not None:
        edit(found["common"] if message == "common" else {**found["acts"], **found["messages"]}[message])
    spec.__dict__.update(found)
    return spec


def only(spec: Specification, message: str) -> Specification:
    """The same with one message or act alone, which is quicker to compare."""
    acts = {name: schema for name, schema in spec.acts.items() if name == message}
    wanted = "job-order" if acts else message
    spec.__dict__.update(acts=acts, messages={wanted: spec.messages[wanted]})
    return spec


def pair(message: str, edit: Edit) -> tuple[Specification, Specification]:
    """Version 1 and its edit; of a shared kind of value with the order that carries most of them."""
    about = "transfer" if message == "common" else message
    return only(version(), about), only(version(message, edit), about)


def judged(message: str, edit: Edit) -> VersionComparison:
    return compare(*pair(message, edit))


def breaks(comparison: VersionComparison) -> set[str]:
    return {side for change in comparison.changes for side in change.breaks}
