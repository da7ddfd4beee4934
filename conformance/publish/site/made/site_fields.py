"""docs/protocol/site-fields.md: every field of the site file, and what a digest is computed from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from protocol.site_file import digest_text, node_digest, parts_of, scenario_text
from protocol.specification import Specification

HEAD = """# Every field of the site file

Made from [`site.schema.json`](../../protocol/v1/site.schema.json) by `python -m
conformance.publish.site.made`. How to write one: [the site file](../guides/site-file.md). All figures are
whole numbers. A time ends in `_ms`, is in ms and lies between 1 and 600000.
"""

PARTS = (
    ("", "The file", "top of the file"),
    ("place", "A place", "`[places.NAME]`"),
    ("node", "A node", "`[nodes.NAME]`"),
    ("crane", "A crane", "`[nodes.NAME.crane]`"),
    ("axis", "An axis", "`[[nodes.NAME.crane.axes]]`, the hoist last"),
    ("crane_place", "A place that a crane reaches", "`[nodes.NAME.crane.places.PLACE]`"),
    ("berth", "A berth", "`[nodes.NAME.berth]`"),
    ("shuttle", "A shuttle", "`[nodes.NAME.shuttle]`"),
    ("runs", "How recordings are cut into runs", "`[runs]`"),
)

GONE = """
A depart is `done`, and the train `gone`, when
{gone}.

The reference node and both cores do count it: where a train stops with a magnet over a sensor they say `empty`,
so look at the track after a train that has stuck. If neither sensor changes within `arming_timeout_ms` from the
start of the depart, the train has not moved: `train-stuck`, and the berth is `lost`. A hold stops both clocks.
Choose `clear_ms` longer than the longest gap between two magnets at the speed with which a train leaves.
"""

DIGEST = """
## What a digest is computed from

`node-status` carries a digest of the node's part of the site file (`MSG-12`), so that a board with last
month's tables is noticed. It is the CRC-32 of ISO 3309 (the one of zlib, PNG and Ethernet: polynomial
0x04C11DB7, reflected, begun with and closed by 0xFFFFFFFF; of the nine characters `123456789` it is
0xCBF43926) over this text:

- everything that stands in `[nodes.NAME]` and in the tables below it, and nothing else: not the name, not the
  places of the yard, not another node;
- as the file has it: a field that is left out is not filled in with its default, so writing the default
  changes the digest;
- as JSON in ASCII, with the keys of every object sorted by their characters and no white space, `true` and
  `false` for truth values, and `\\uXXXX` for what is not ASCII. Comments, the order of lines and the way a
  number is written in TOML make no difference.

`yardwire site digest site.toml --text` prints that text for your own file. A worked example is `{name}` of
`harlow-basin`; its text has {size} bytes, in one line:

```text
{text}
```

Its CRC-32 is **{digest}**, 0x{digest:08x}. Firmware need not compute it: it is built in as a constant, and
`yardwire publish --site` writes it into `yw_site.h` and `yw_site.py`.
"""


def site_fields_document(spec: Specification) -> str:
    """The document, as Markdown."""
    return "\n".join([HEAD, *_parts(spec), _digest()])


def _digest() -> str:
    part = parts_of(scenario_text().encode())["ferry"]
    text = digest_text(part)
    return DIGEST.format(name="ferry", size=len(text), text=text, digest=node_digest(part))


@dataclass(frozen=True, slots=True)
class SiteField:
    """One field of the site file, in words."""

    part: str
    """Name of the part in the schema, '' for the file itself."""
    name: str
    values: str
    left_out: str
    """What holds where it is left out: a default, or 'not allowed'."""
    says: str


def site_fields(spec: Specification) -> Iterator[SiteField]:
    """Every field of the site file, part by part."""
    for part, _, _ in PARTS:
        schema = spec.site_schema["$defs"][part] if part else spec.site_schema
        for field, row in schema["properties"].items():
            whole = merged(spec, row)
            yield SiteField(part, field, _values(whole), _left_out(field, schema, whole), _says(whole))


def _parts(spec: Specification) -> Iterator[str]:
    fields = list(site_fields(spec))
    for name, title, where in PARTS:
        yield f"## {title}\n\n{where[0].upper()}{where[1:]}:\n"
        yield "| field | values | left out | what it is |\n|---|---|---|---|"
        for one in fields:
            if one.part == name:
                yield f"| `{one.name}` | {one.values} | {one.left_out} | {one.says} |"
        yield GONE.format(gone=spec.tables["berth"].event_words["gone"]) if name == "berth" else ""


def merged(spec: Specification, row: Mapping[str, Any]) -> dict[str, Any]:
    """A field with what its reference names merged in; what stands beside the reference wins."""
    whole = dict(row)
    for one in row.get("allOf", ()):
        whole = {**one, **whole}
    reference = str(whole.get("$ref", ""))
    if reference:
        urn, _, pointer = reference.partition("#/")
        target: Any = spec.by_urn[urn] if urn else spec.site_schema
        for step in pointer.split("/"):
            target = target[step]
        whole = {**merged(spec, target), **whole}
    return whole


def _says(row: Mapping[str, Any]) -> str:
    unit = row.get("unit", "")
    own = {"the axis's own, named in the site file": "units of the axis", "byte": "bytes", "ms": ""}
    told = own.get(unit, unit)
    return str(row.get("description", "")) + (f"; in {told}" if told else "")


def _left_out(field: str, part: Mapping[str, Any], row: Mapping[str, Any]) -> str:
    if field in part.get("required", ()):
        return "not allowed"
    default = row.get("default")
    if default is None:
        return str(row.get("absent", ""))
    return f"`{str(default).lower() if isinstance(default, bool) else default}`"


def _values(row: Mapping[str, Any]) -> str:
    if "const" in row:
        return f"`{row['const']}`"
    if "enum" in row:
        return ", ".join(f"`{word}`" for word in row["enum"])
    match row.get("type"):
        case "integer":
            return f"{row['minimum']} to {row['maximum']}"
        case "boolean":
            return "`true`, `false`"
        case "string":
            return f"{row.get('minLength', 0)} to {row['maxLength']} characters"
        case "array":
            return f"{row['minItems']} to {row['maxItems']} entries"
    return "a table"
