"""The firmware core as an Arduino library: sources, an example for each role, and what its manager has to know.

With it goes a node for a computer with libmosquitto, of any role: the program that the core is tested with on a broker.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources.abc import Traversable

from conformance.publish.firmware.core_files import core_files
from conformance.publish.firmware.one_role import node_with, nodes_of_one_role
from conformance.publish.firmware.site_header import site_header
from protocol.site import Site
from protocol.specification import Specification

FOLDER = "arduino/Yardwire"
ON_A_COMPUTER = "extras/on_a_computer"
"""No node has a name with '_' in it, and none has this folder."""
PROPERTIES = """\
name=Yardwire
version={major}.{minor}.0
author=The Yardwire authors
maintainer=The Yardwire authors
sentence=A crane, berth or shuttle of a miniature container terminal, on a cable or any MQTT client.
paragraph=The node of protocol {major}.{minor} in C99: orders, jobs, faults. A bus message is no emergency stop.
category=Communication
url=https://example.invalid/yardwire
architectures=*
includes=yw_node.h
"""
"""`depends` is of what the sources need, and they need no library: what one example needs stands in its first lines."""


def arduino_library(spec: Specification, core: Traversable, site: Site) -> dict[str, bytes]:
    """Path to bytes. `core` is the folder of the core; each example is for a node of `site` with that role alone.

    `extras/NODE/yw_site.h` is there for every node, also the second of a role.
    """
    texts = {"library.properties": PROPERTIES.format(major=spec.major, minor=spec.minor)}
    texts |= {f"src/{name}": text for name, text in _sources(core)}
    texts |= {f"src/{name}": text for name, text in core_files(spec).items()}
    examples = core.joinpath("examples")
    for role in ("crane", "berth", "shuttle"):
        node = node_with(role, site)
        if node is None:
            continue
        folder = f"examples/{role}"
        texts[f"{folder}/{role}.ino"] = _text(examples.joinpath(role, f"{role}.ino"))
        texts[f"{folder}/board.h"] = _text(examples.joinpath("board.h"))
        texts[f"{folder}/node.c"] = _text(examples.joinpath("node.c"))
        texts[f"{folder}/yw_site.h"] = site_header(site, node.name)
    for node in nodes_of_one_role(site):
        texts[f"extras/{node.name}/yw_site.h"] = site_header(site, node.name)
    for name in ("mqtt.c", "process.c", "process.h", "node.c"):
        texts[f"{ON_A_COMPUTER}/{name}"] = _text(core.joinpath("host", name))
    return {f"{FOLDER}/{path}": text.encode() for path, text in sorted(texts.items())}


def _sources(core: Traversable) -> Iterator[tuple[str, str]]:
    for file in sorted(core.joinpath("src").iterdir(), key=lambda file: file.name):
        if file.name.endswith(".h"):
            yield file.name, _text(file)


def _text(file: Traversable) -> str:
    return file.read_text(encoding="utf-8")
