"""`yardwire measure pairs`: pairs out of recordings."""

from __future__ import annotations

from pathlib import Path

import click

from conformance.commands.measure.options import entry_of
from conformance.commands.options.site import site_option
from conformance.commands.terminal.quiet import quiet_option
from protocol.trouble import Trouble

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=_FILE)
@site_option
@click.option("--crane", metavar="NAME", help="The crane; not needed where one alone has a table.")
@click.option("--place", metavar="NAME", help="The track; not needed where one alone has a table.")
@click.option(
    "--slot", type=click.IntRange(0), default=0, show_default=True, help="Over which slot it was jogged."
)
@quiet_option
def pairs(
    recordings: tuple[Path, ...], site_path: Path, crane: str | None, place: str | None, slot: int
) -> int:
    """Print the pairs that RECORDINGS hold: for each train at rest the last place to which the crane was jogged.

    Whoever jogged it meant that place; look at what comes out. Exit 1 where there is none.

    Example: yardwire measure pairs monday.ywrec --site site.toml > pairs.csv
    """
    from conformance.measure.pairs import pairs_text
    from conformance.measure.recorded_pairs import recorded_pairs
    from conformance.recordings.files import source
    from protocol.site_file import load_site

    site = load_site(site_path)
    name, entry = entry_of(site, str(site_path), crane, place)
    if slot >= len(entry.slots):
        raise Trouble(
            f"{entry.place} has slots 0 to {len(entry.slots) - 1}, not {slot}", where=str(site_path)
        )
    berth = site.places[entry.place].node
    items = source(recordings, together=True).items()
    found = list(recorded_pairs(items, name, berth, entry.slots[slot][0]))
    click.echo(pairs_text(found), nl=False)
    return 0 if found else 1
