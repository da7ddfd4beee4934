"""`yardwire publish`: the documents and artefacts of the protocol, and what changed since another version."""

from __future__ import annotations

from collections.abc import Collection
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options import json_output
from conformance.commands.options.site import optional_site_option
from conformance.commands.terminal.quiet import chat, quiet_option, say_result
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.publish.compare.compare import VersionComparison
    from conformance.publish.site.site import Contents


@click.command()
@click.argument("out", type=click.Path(path_type=Path), required=False)
@optional_site_option("that access list and boards are made for")
@click.option(
    "--against",
    "old_path",
    type=click.Path(path_type=Path),
    help="Folder of another version, published or as data: list what changed since, and whom it breaks.",
)
@quiet_option
@json_output.json_option("Print what was written, and what changed, as one JSON document.")
@click.pass_context
def publish(
    ctx: click.Context, out: Path | None, site_file: Path | None, old_path: Path | None, as_json: bool
) -> int:
    """Write the documents and artefacts of the protocol into the folder OUT.

    A static site that works from a folder: messages byte by byte, state tables as drawings, requirements with
    their cases, guides. Beside it JSON Schemas, CDDL, AsyncAPI, a C header, an Arduino library with the whole node
    in C for one board of each role of the site, the same in MicroPython for mip, test vectors and an access list for
    mosquitto. The same input gives the same bytes.

    With --against every change since another version is listed, with a message that shows each break. Exit 1 when
    the version number does not fit the changes: what breaks somebody needs a new major version, any other change a
    new minor one.

    Example: yardwire publish yardwire-documents --site site.toml
    """
    if out is None and old_path is None:
        raise Trouble(
            "there is nothing to do", fix="Name a folder to write into, or --against another version"
        )
    comparison = _comparison(old_path) if old_path else None
    if comparison is not None and not as_json:
        _print(comparison)
    written = _write(ctx, out, site_file, comparison) if out is not None else ()
    code = int(comparison is not None and bool(comparison.wrong_number))
    if as_json:
        _tell(out, written, comparison, code)
        return code
    if out is not None:
        pages = sum(path.endswith(".html") for path in written)
        chat(
            f"Wrote {pages} pages and {len(written) - pages} files. Open {out / 'index.html'} in a browser.",
            err=False,
        )
    if comparison is not None and code:
        say_result(f"The version number is wrong: {comparison.wrong_number}.")
    return code


def _print(comparison: VersionComparison) -> None:
    from conformance.publish.compare.versions import in_words

    say_result("\n".join(in_words(comparison)))


def _tell(
    out: Path | None, written: Collection[str], comparison: VersionComparison | None, code: int
) -> None:
    fields: dict[str, Any] = {
        "folder": str(out) if out else None,
        "files": sorted(written),
        "comparison": None,
    }
    if comparison is not None:
        fields["comparison"] = {
            "old": list(comparison.old),
            "new": list(comparison.new),
            "changes": [change.document() for change in comparison.changes],
        }
    wrong = (
        [json_output.finding(comparison.wrong_number, where="version.toml")] if comparison and code else []
    )
    verdict = json_output.judged(wrong) if comparison is not None else None
    json_output.tell(fields, exit_code=code, verdict=verdict, findings=wrong)


def _write(
    ctx: click.Context, out: Path, site_path: Path | None, comparison: VersionComparison | None
) -> Collection[str]:
    """Write the edition; the names of its files."""
    from conformance.publish.compare.versions import as_markdown
    from conformance.publish.edition import edition, write
    from protocol.site_file import load_site, scenario

    site = load_site(site_path) if site_path else scenario()
    changes = "\n".join(as_markdown(comparison)) if comparison else ""
    firmware = resources.files("reference_node").joinpath("firmware")
    made = edition(_contents(ctx, changes), site, firmware)
    write(out, made)
    return tuple(made)


def _comparison(old_path: Path) -> VersionComparison:
    """Compare with another version. Raises Trouble."""
    from conformance.publish.compare.compare import compare
    from conformance.publish.compare.versions import specification_in
    from conformance.publish.model import NotExpressible
    from protocol.specification import specification

    try:
        return compare(specification_in(old_path), specification())
    except NotExpressible as error:
        raise Trouble(
            f"versions cannot be compared where one says this: {error}",
            where=str(old_path),
            fix="Say it as the other messages do, or compare it by hand",
        ) from error


def _contents(ctx: click.Context, comparison: str) -> Contents:
    from conformance.commands.demo.exchanges import exchanges
    from conformance.publish.artefacts.completion import completion_scripts
    from conformance.publish.artefacts.man_pages import man_pages
    from conformance.publish.site import sources
    from conformance.publish.site.manual import manual
    from conformance.publish.site.site import Contents
    from conformance.suite.case import all_cases
    from protocol.site_file import scenario

    root = sources.home()
    group = ctx.find_root().command
    assert isinstance(group, click.Group)
    commands = manual(group, ctx.find_root())
    return Contents(
        documents=sources.documents(root),
        pictures=sources.pictures(root),
        cases=list(all_cases().values()),
        faulty=sources.faulty_nodes(root),
        commands=commands,
        terminal=man_pages(commands, version("yardwire")) | completion_scripts(group),
        exchanges=exchanges(scenario()),
        comparison=comparison,
    )
