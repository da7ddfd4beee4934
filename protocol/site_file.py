"""Reads `site.toml` and finds every mistake in it, each with its place in the file and how to fix it."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping
from importlib import resources
from itertools import islice
from pathlib import Path
from typing import Any

from protocol.site import (
    Axis,
    BerthSite,
    CranePlace,
    CraneSite,
    Encoding,
    NodeSite,
    Place,
    PlaceKind,
    RunsSite,
    ShuttleSite,
    Site,
)
from protocol.site_checks import SiteProblem, sense_problems
from protocol.specification import specification
from protocol.toml_problems import MOST_BYTES, MOST_PROBLEMS, NotToml, fractions, parse_toml, shape_problems
from protocol.trouble import Trouble

SCENARIO = "harlow-basin"
"""The invented site that examples, tests and the demo use."""


class BadSite(Trouble):
    """A site file with mistakes; `problems` has every one."""

    def __init__(self, where: str, problems: tuple[SiteProblem, ...]) -> None:
        """Say which file, and all that is wrong with it."""
        lines = "\n".join(f"  {problem}" for problem in problems)
        count = "one mistake" if len(problems) == 1 else f"{len(problems)} mistakes"
        super().__init__(f"{count} in the site file:\n{lines}", where=where)
        self.problems = problems


def load_site(path: Path | str) -> Site:
    """Read a site file.

    Raises BadSite with every mistake, Trouble if the file cannot be read.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise Trouble(
            f"cannot read the site file: {error.strerror}",
            where=str(path),
            fix=f"Name another with --site, or write a starter with 'yardwire site new {path.name}'",
        ) from error
    return read_site(content, str(path))


def read_site(content: bytes, where: str) -> Site:
    """The site that `content`, the bytes of a site file, describes; `where` names it in messages.

    Raises BadSite with every mistake.
    """
    try:
        data = parse_toml(content)
    except NotToml as error:
        raise BadSite(where, (error.problem,)) from None
    problems = tuple(_shape_problems(data))
    if not problems:
        site = _build(data)
        problems = tuple(islice(sense_problems(site), MOST_PROBLEMS))
        if not problems:
            return site
    raise BadSite(where, problems)


def scenario_text(name: str = SCENARIO) -> str:
    """The site file of a scenario that comes with the kit. Raises FileNotFoundError."""
    file = resources.files("protocol").joinpath("scenarios", name, "site.toml")
    return file.read_text(encoding="utf-8")


def scenario(name: str = SCENARIO) -> Site:
    """The site of a scenario that comes with the kit. Raises FileNotFoundError."""
    return read_site(scenario_text(name).encode(), f"scenario {name}")


def node_digest(part: Mapping[str, Any]) -> int:
    """The digest of a node's part of the site file, as node-status carries it [MSG-12].

    CRC-32 (ISO 3309, as zlib has it) of its `digest_text`.
    """
    return zlib.crc32(digest_text(part).encode("ascii"))


def digest_text(part: Mapping[str, Any]) -> str:
    """What the digest of a node's part is computed from: the part as JSON with sorted keys and no white space."""
    return json.dumps(part, sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def parts_of(content: bytes) -> dict[str, Mapping[str, Any]]:
    """The part of each node as a site file has it, by name; of a file that `read_site` has read."""
    found: dict[str, Mapping[str, Any]] = parse_toml(content)["nodes"]
    return found


# ---------------------------------------------------------------- shape: the schema


def _shape_problems(data: Mapping[str, Any]) -> Iterator[SiteProblem]:
    from jsonschema import Draft202012Validator
    from referencing import Registry, Resource

    spec = specification()
    registry: Registry[Any] = Registry().with_resources(
        (urn, Resource.from_contents(schema)) for urn, schema in spec.by_urn.items()
    )
    validator = Draft202012Validator(spec.site_schema, registry=registry)
    yield from islice(fractions(data), MOST_PROBLEMS)
    yield from shape_problems(validator, data, "See 'yardwire site new' for a complete example")


# ---------------------------------------------------------------- building


def _build(data: Mapping[str, Any]) -> Site:
    places = {
        name: Place(
            name,
            PlaceKind(row["kind"]),
            row["columns"],
            row.get("tiers", 1),
            row.get("node", ""),
            row.get("catches", 0),
        )
        for name, row in data.get("places", {}).items()
    }
    runs = data.get("runs")
    return Site(
        data["site"],
        {name: _node(name, row) for name, row in data["nodes"].items()},
        places,
        RunsSite(runs["cut"], tuple(runs.get("jobs", ()))) if runs is not None else None,
    )


def _node(name: str, row: Mapping[str, Any]) -> NodeSite:
    plain = {key: row[key] for key in ("reads", "qos", "buffer", "firmware", "keep_alive_s") if key in row}
    return NodeSite(
        name=name,
        roles=tuple(row["roles"]),
        writes=Encoding(row.get("writes", "cbor")),
        crane=_crane(row["crane"]) if "crane" in row else None,
        berth=BerthSite(**row["berth"]) if "berth" in row else None,
        shuttle=ShuttleSite(**row["shuttle"] | {"stops": tuple(row["shuttle"]["stops"])})
        if "shuttle" in row
        else None,
        digest=node_digest(row),
        **plain,
    )


def _crane(row: Mapping[str, Any]) -> CraneSite:
    places = {
        name: CranePlace(
            place=name,
            slots=tuple(tuple(slot) for slot in place["slots"]),
            table=tuple((reading, position) for reading, position in place.get("table", ())),
            at=place.get("at", ""),
        )
        for name, place in row["places"].items()
    }
    axes = tuple(Axis(**axis) for axis in row["axes"])
    return CraneSite(**{**row, "axes": axes, "places": places})
