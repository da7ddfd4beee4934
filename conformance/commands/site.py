"""`yardwire site`: write a starter site file, check one, print what firmware has to know of it."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from conformance.commands.options import completing, json_output
from conformance.commands.options.site import site_default
from conformance.commands.terminal.quiet import chat, quiet_option
from conformance.commands.terminal.width import width, wrapped
from conformance.files.whole_file import write
from protocol.site_file import BadSite, digest_text, load_site, node_digest, parts_of, scenario_text
from protocol.trouble import Trouble

NOT_READ_BY_ALL = (
    "no hold to 'all' is read by every node, for one reads JSON alone and another CBOR alone. "
    "Hold each by its name."
)  # fmt: skip


@click.group()
def site() -> None:
    """Write a starter site file, or check one.

    The site file (site.toml) describes the nodes, places and tables of one layout; every other command reads
    it.

    Example: yardwire site new site.toml
    """


@site.command()
@click.argument("path", type=click.Path(path_type=Path), default=Path("site.toml"))
@quiet_option
def new(path: Path) -> None:
    """Write a starter site file to PATH.

    PATH is site.toml if it is left out. The file describes the invented yard 'harlow-basin', with comments;
    change it into yours. A file that is there is never overwritten.

    Example: yardwire site new my-yard.toml
    """
    if path.exists() or path.is_symlink():
        raise Trouble("there is a file of this name already", where=str(path), fix="Name another")
    write(path, scenario_text())
    chat(f"Wrote {path}. Next: change it into your yard, then 'yardwire site check {path}'.", err=False)


@site.command()
@click.argument("path", type=click.Path(path_type=Path), default=site_default)
@quiet_option
@json_output.json_option("Print the mistakes as one JSON document.")
def check(path: Path, as_json: bool) -> int:
    """Find every mistake in the site file PATH.

    PATH is what YARDWIRE_SITE or the configuration file names if it is left out, else site.toml. Exit 1 if there is
    a mistake.

    Example: yardwire site check site.toml
    """
    try:
        found = load_site(path)
    except BadSite as bad:
        if as_json:
            rows = [json_output.finding(row.what, where=row.where, fix=row.fix) for row in bad.problems]
            json_output.tell(
                {"file": str(path), "problems": rows}, exit_code=1, verdict=json_output.FAIL, findings=rows
            )
        else:
            click.echo(wrapped(str(bad), width(sys.stdout)))
        return 1
    notes = [] if found.read_by_all() else [NOT_READ_BY_ALL]
    if as_json:
        json_output.tell({"file": str(path), "problems": []}, verdict=json_output.PASS, notes=notes)
    else:
        fine = f"{path}: site {found.name}, {len(found.nodes)} nodes, {len(found.places)} places, no mistake"
        for told in (fine, *(f"note: {note}" for note in notes)):
            click.echo(wrapped(told, width(sys.stdout)))
    return 0


@site.command()
@click.argument("path", type=click.Path(path_type=Path), default=site_default)
@quiet_option
@json_output.json_option()
@click.option("--text", is_flag=True, help="Print what each digest is computed from as well.")
def digest(path: Path, as_json: bool, text: bool) -> int:
    """Print the digest that each node says.

    A node says the digest of its part of the site file in node-status; its firmware has it built in. It is the
    CRC-32 of the text that --text prints.

    \b
    Examples:
      yardwire site digest site.toml
      yardwire site digest site.toml --text
    """  # noqa: D301 - click wants the character itself
    nodes = load_site(path).nodes
    if text:
        return _digest_texts(path, as_json)
    if as_json:
        json_output.tell({"digests": {name: node.digest for name, node in nodes.items()}})
    else:
        for name, node in nodes.items():
            click.echo(f"{name:<8}  {node.digest}")
    return 0


@site.command()
@click.argument("node", shell_complete=completing.nodes)
@click.argument("path", type=click.Path(path_type=Path), default=site_default)
@quiet_option
def part(node: str, path: Path) -> None:
    """Print the site file for one NODE alone.

    With it a board is tried in service, sensors and motors, without the rest of the yard.

    It has NODE, the places that it needs, the nodes that these are on, and the supervisor. The digests stay as they
    are, so the firmware does too. PATH is what YARDWIRE_SITE or the configuration file names if it is left out, else
    site.toml.

    Example: yardwire site part siding site.toml > siding.toml
    """
    from conformance.commands.site_part import site_part

    load_site(path)
    click.echo(site_part(path.read_bytes(), str(path), node), nl=False)


def _digest_texts(path: Path, as_json: bool) -> int:
    rows = {
        name: {"digest": node_digest(part), "text": digest_text(part)}
        for name, part in parts_of(path.read_bytes()).items()
    }
    if as_json:
        json_output.tell({"digests": rows})
    else:
        for name, row in rows.items():
            click.echo(f"{name:<8}  {row['digest']}\n{row['text']}")
    return 0
