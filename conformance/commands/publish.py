"""`yardwire publish`: the documents and artefacts of the protocol, and what changed since another version."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from conformance.publish.site import Contents
    from protocol.site import Site


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--site", "site_path", type=click.Path(path_type=Path), help="Site file that the access list is made for."
)
@click.pass_context
def publish(ctx: click.Context, out: Path, site_path: Path | None) -> None:
    """Write the documents and artefacts of the protocol into the folder OUT.

    A static site that works from a folder: messages byte by byte, state tables as drawings, requirements with
    their cases, guides. Beside it JSON Schemas, CDDL, AsyncAPI, a C header, a MicroPython module, test vectors
    and an access list for mosquitto. The same input gives the same bytes.

    Example: yardwire publish yardwire-documents --site site.toml
    """
    from conformance.publish.edition import edition, write
    from protocol.site_file import load_site, scenario

    site_file = load_site(site_path) if site_path else scenario()
    made = edition(_contents(ctx, site_file), site_file)
    write(out, made)
    pages = sum(path.endswith(".html") for path in made)
    click.echo(f"Wrote {pages} pages and {len(made) - pages} files. Open {out / 'index.html'} in a browser.")


def _contents(ctx: click.Context, site_file: Site) -> Contents:
    from conformance.case import all_cases
    from conformance.commands.exchanges import exchanges
    from conformance.publish import sources
    from conformance.publish.manual import manual
    from conformance.publish.site import Contents
    from protocol.site_file import scenario

    root = sources.home()
    group = ctx.find_root().command
    assert isinstance(group, click.Group)
    return Contents(
        documents=sources.documents(root),
        pictures=sources.pictures(root),
        cases=list(all_cases().values()),
        faulty=sources.faulty_nodes(root),
        commands=manual(group, ctx.find_root()),
        exchanges=exchanges(scenario()),
    )
