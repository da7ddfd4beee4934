"""Another version of the specification, read from a folder; and a comparison told in words."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

from conformance.publish.compare.change import Change
from conformance.publish.compare.compare import VersionComparison
from protocol.specification import Specification
from protocol.toml_problems import NotToml, parse_toml
from protocol.trouble import Trouble

MOST_BYTES = 1 << 20
MOST_FILES = 10_000
_PLACES = ("specification", "protocol/v1", ".")


def specification_in(folder: Path) -> Specification:
    """The specification in `folder`: a published site, a checkout, or the data itself.

    Everything is read at once, so that a folder which is none is found here. Raises Trouble.
    """
    data = next((folder / place for place in _PLACES if (folder / place / "version.toml").is_file()), None)
    if data is None:
        fix = "Name a folder that 'yardwire publish' wrote, or one with version.toml, messages/ and acts/"
        raise Trouble("has no specification in it", where=str(folder), fix=fix)
    _require_bounds(data)
    spec = Specification(data)
    try:
        _ = (spec.major, spec.minor, spec.by_urn, spec.timing, spec.limits, spec.topics, spec.tables)
        _ = (spec.order_checks, spec.requirements)
    except (OSError, LookupError, TypeError, ValueError, AttributeError, RecursionError) as error:
        what = f"{type(error).__name__}: {error}" if isinstance(error, LookupError) else error
        raise Trouble(
            f"cannot read the specification: {what}", where=str(data), fix="Publish it again"
        ) from error
    return spec


def _require_bounds(data: Path) -> None:
    """Raise Trouble where a file of the specification is longer than any of it can be, or there are too many."""
    for number, file in enumerate(data.rglob("*")):
        if number > MOST_FILES:
            raise Trouble(f"more than {MOST_FILES:,} files", where=str(data), fix="Name another folder")
        if file.suffix in (".toml", ".json") and file.is_file() and file.stat().st_size > MOST_BYTES:
            told = f"byte {MOST_BYTES}: longer than a file of the specification may be"
            raise Trouble(told, where=str(file), fix="Publish it again")
        if file.suffix == ".toml" and file.is_file():
            try:
                parse_toml(file.read_bytes())
            except NotToml as error:
                raise Trouble(str(error), where=str(file), fix="Publish it again") from error
            except OSError as error:
                raise Trouble(f"cannot be read: {error.strerror}", where=str(file)) from error


def in_words(comparison: VersionComparison) -> Iterator[str]:
    """A comparison as lines for a terminal, breaking changes first."""
    old, new = (".".join(map(str, version)) for version in (comparison.old, comparison.new))
    yield f"From protocol {old} to {new}:"
    if not comparison.changes:
        yield "  nothing changed"
    for change in sorted(comparison.changes, key=lambda change: not change.breaks):
        yield f"  {change}"
        if change.witness is not None:
            yield f"    {change.witness.message} {_json(change)}"
            yield f"    {change.witness.why}"


def as_markdown(comparison: VersionComparison) -> Iterator[str]:
    """The same as lines of Markdown."""
    old, new = (".".join(map(str, version)) for version in (comparison.old, comparison.new))
    yield f"## From protocol {old} to {new}"
    yield ""
    if not comparison.changes:
        yield "Nothing changed."
    for change in sorted(comparison.changes, key=lambda change: not change.breaks):
        yield f"- {_escaped(str(change))}"
        if change.witness is not None:
            yield f"  Witness: {change.witness.message} `{_json(change)}`: {_escaped(change.witness.why)}"
    yield ""


def _json(change: Change) -> str:
    assert change.witness is not None
    return json.dumps(change.witness.body, separators=(",", ":"))


def _escaped(text: str) -> str:
    return re.sub(r"([\\*_<[`])", r"\\\1", text)
