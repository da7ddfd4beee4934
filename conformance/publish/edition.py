"""One edition of the documents and artefacts: made whole in memory, checked, then written."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from conformance.files.whole_file import growing, write_bytes
from conformance.files.whole_file import write as write_text
from conformance.publish.artefacts.artefacts import artefacts
from conformance.publish.firmware.arduino import arduino_library
from conformance.publish.firmware.micropython.package import micropython_package
from conformance.publish.site.site import Contents, Site, broken_links
from protocol.site import Site as SiteFile
from protocol.specification import specification
from protocol.table_findings import table_findings
from protocol.trouble import Trouble

MARK = "published-by-yardwire.txt"
"""Lists what an edition wrote, so that the next one into the same folder can take away what is no more."""


def edition(contents: Contents, site_file: SiteFile, firmware: Traversable | None = None) -> dict[str, bytes]:
    """Path to bytes of everything; `firmware` is the folder of the nodes for boards.

    Raises Trouble where a link leads nowhere, or a table is not sound.
    """
    if unsound := list(table_findings(specification())):
        raise Trouble("; ".join(unsound[:5]), fix="Fix the table, or say in it why there is no row")
    files = artefacts(specification(), resources.files("protocol").joinpath("v1"), site_file)
    files |= {path: text.encode() for path, text in contents.terminal.items()}
    if firmware is not None:
        files |= arduino_library(specification(), firmware.joinpath("c"), site_file)
        files |= micropython_package(specification(), firmware.joinpath("micropython"), site_file)
    try:
        pages = Site(specification(), contents, list(files), site_file).pages()
    except KeyError as error:
        raise Trouble(str(error.args[0]), fix="Fix the link in the document") from error
    if broken := list(broken_links(pages, list(files))):
        raise Trouble("; ".join(broken[:5]), fix="Fix the links")
    return dict(sorted((files | pages).items()))


def write(out: Path, made: Mapping[str, bytes]) -> None:
    """Write an edition into `out`, a new or empty folder or one of an edition before.

    Raises Trouble for a folder with anything else in it, or where the disk does not take it.
    """
    before = out / MARK
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not before.is_file())):
        raise Trouble("is there, and not made by 'publish'", where=str(out), fix="Name a new folder")
    try:
        old = before.read_text(encoding="utf-8").splitlines() if before.is_file() else []
        for path in old:
            if path not in made and ".." not in path:
                (out / path).unlink(missing_ok=True)
                with contextlib.suppress(OSError):  # Other files in it keep the folder.
                    (out / path).parent.rmdir()
        out.mkdir(parents=True, exist_ok=True)
        # The list comes first: what was stopped half-way can be made again in the same folder.
        write_text(before, "".join(f"{path}\n" for path in dict.fromkeys([*made, *old])))
        with growing(out):
            for path, content in made.items():
                target = out / path
                target.parent.mkdir(parents=True, exist_ok=True)
                write_bytes(target, content)
        write_text(before, "".join(f"{path}\n" for path in made))
    except OSError as error:
        raise Trouble(
            f"cannot write it: {error.strerror}", where=str(out), fix="Name another folder"
        ) from error
