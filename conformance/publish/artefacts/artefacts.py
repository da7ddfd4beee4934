"""Every artefact of the protocol as a path and its bytes. The same specification gives the same bytes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources.abc import Traversable
from typing import Any

from conformance.publish.artefacts.access import access_list
from conformance.publish.artefacts.asyncapi import asyncapi
from conformance.publish.artefacts.broker_configuration import broker_configuration
from conformance.publish.artefacts.bundle import bundled
from conformance.publish.artefacts.cddl import cddl
from conformance.publish.artefacts.header import header
from conformance.publish.artefacts.micropython import micropython
from conformance.publish.model import schemas
from protocol.site import Site
from protocol.specification import Specification

USES = {
    "schemas/": "JSON Schema 2020-12, one file a message and an act, each complete in itself.",
    "yardwire.cddl": "CDDL (RFC 8610) of every payload in CBOR.",
    "asyncapi.json": "AsyncAPI 3.0 document of the bus, as a node sees it.",
    "yardwire.h": "C99 header: keys, words, sizes, times, topic builders, transition tables. Fits an AVR.",
    "yardwire.py": "MicroPython module with the same.",
    "arduino/Yardwire/library.properties": "Arduino library: the node in C, an example a role.",
    "micropython/package.json": "The node in MicroPython for `mip`, an example a role beside it.",
    "yardwire.acl": "Access list for mosquitto: each node may publish only its own topics, and listeners nothing.",
    "yardwire-mosquitto.conf": "Configuration for mosquitto: TLS, passwords, the access list, one user one connection.",
    "vectors/": "Test vectors: payloads that are right, and payloads that are wrong with the requirement they break.",
    "vectors/exchanges/": "Orders to a node from its start on, and what must and may follow: they test an order desk.",
    "man/": "Manual pages of the commands, for `man`: put the folder into MANPATH.",
    "completion/": "Scripts for bash, zsh and fish that complete commands and options.",
    "specification/": "The data that all of this is made from; also what a later version is compared with.",
}
"""What each artefact is for."""


def artefacts(spec: Specification, data: Traversable, site: Site) -> dict[str, bytes]:
    """Path to bytes; `data` is the folder that the specification was read from."""
    texts = {
        "yardwire.cddl": cddl(spec),
        "asyncapi.json": _json(asyncapi(spec)),
        "yardwire.h": header(spec),
        "yardwire.py": micropython(spec),
        "yardwire.acl": access_list(spec, site),
        "yardwire-mosquitto.conf": broker_configuration(site),
    }
    for message, schema in spec.messages.items():
        texts[f"schemas/{message}.schema.json"] = _json(bundled(spec, schema))
    for message, act, schema in schemas(spec):
        if act is not None:
            texts[f"schemas/{message}.{act}.schema.json"] = _json(bundled(spec, schema))
    found = {path: text.encode() for path, text in texts.items()}
    for path, content in _files(data):
        found[f"specification/{path}"] = content
        if path.startswith("vectors/"):
            found[path] = content
    return dict(sorted(found.items()))


def _json(document: Any) -> str:
    return json.dumps(document, indent=2) + "\n"


def _files(folder: Traversable, under: str = "") -> Iterator[tuple[str, bytes]]:
    """Every data file of the specification, in the order of their names."""
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.is_dir():
            yield from _files(entry, f"{under}{entry.name}/")
        elif entry.name.endswith((".json", ".toml")):
            yield under + entry.name, entry.read_bytes()
