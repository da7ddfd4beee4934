"""The node in MicroPython as a package that `mip` installs, and an example for each role of the site."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources.abc import Traversable

from conformance.publish.firmware.micropython.made_files import made_files
from conformance.publish.firmware.micropython.site_module import site_module
from conformance.publish.firmware.one_role import node_with, nodes_of_one_role
from protocol.site import Site
from protocol.specification import Specification

FOLDER, PACKAGE = "micropython", "yardwire_node"
SHARED = "pin_board.py"


def micropython_package(spec: Specification, firmware: Traversable, site: Site) -> dict[str, bytes]:
    """Path to bytes. `firmware` is the folder of the node; each example is for a node of `site` with that role alone.
    `sites/NODE/yw_site.py` is there for every node, also the second of a role.

    `package.json` is as the documentation of `mip` has it: pairs of a path on the board and a URL, here relative to it.
    """
    modules = dict(_modules(firmware.joinpath(PACKAGE))) | made_files(spec)
    urls = [[f"{PACKAGE}/{name}", f"{PACKAGE}/{name}"] for name in sorted(modules)]
    package = {"urls": urls, "version": f"{spec.major}.{spec.minor}.0"}
    texts = {f"{PACKAGE}/{name}": text for name, text in modules.items()}
    texts["package.json"] = json.dumps(package, indent=1) + "\n"
    examples = firmware.joinpath("examples")
    for role in ("crane", "berth", "shuttle"):
        node = node_with(role, site)
        if node is None:
            continue
        texts[f"examples/{role}/main.py"] = examples.joinpath(role, "main.py").read_text(encoding="utf-8")
        texts[f"examples/{role}/{SHARED}"] = examples.joinpath(SHARED).read_text(encoding="utf-8")
        texts[f"examples/{role}/yw_site.py"] = site_module(site, node.name)
    for node in nodes_of_one_role(site):
        texts[f"sites/{node.name}/yw_site.py"] = site_module(site, node.name)
    return {f"{FOLDER}/{path}": text.encode() for path, text in sorted(texts.items())}


def _modules(folder: Traversable) -> Iterator[tuple[str, str]]:
    for file in folder.iterdir():
        if file.name.endswith(".py"):
            yield file.name, file.read_text(encoding="utf-8")
