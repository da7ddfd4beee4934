"""`yardwire runs thin FOLDER`: old recordings go, those in which something matters stay."""

from __future__ import annotations

import re
from pathlib import Path

import click

from protocol.trouble import Trouble

UNITS = {"": 1, "k": 1000, "M": 1000**2, "G": 1000**3}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--keep", required=True, metavar="SIZE", help="How much all recordings together may take: 20G, say."
)
@click.option("--yes", is_flag=True, help="Take the files away; without it they are only named.")
def thin(folder: Path, keep: str, yes: bool) -> int:
    """Take old recordings away until the rest takes no more than SIZE.

    Files with a run that failed, did not end, had a fault or a reset, or of which somebody has said anything stay;
    so do files that may still be written to. The names of all other runs stay what they are.

    Exit 1 where what matters alone takes more than SIZE.

    Example: yardwire runs thin recordings/ --keep 20G --yes
    """
    from conformance.recordings.runs.index import index_of
    from conformance.recordings.runs.thinning import thinning

    found = re.fullmatch(r"([0-9]+)([kMG]?)B?", keep)
    if found is None:
        raise click.UsageError(f"--keep {keep}: write it as 500k, 64M or 20G")
    size = int(found[1]) * UNITS[found[2]]
    index = index_of(folder)
    plan = thinning(index, size)
    for path in plan.goes:
        if yes:
            try:
                path.unlink()
            except OSError as error:
                raise Trouble(f"cannot be taken away: {error.strerror}", where=str(path)) from error
        click.echo(f"{'taken away' if yes else 'would go'}: {path}")
    for name, why in plan.matters.items():
        click.echo(f"stays: {name}: {why}")
    click.echo(f"{plan.left:,} bytes {'are' if yes else 'would be'} left")
    return 0 if plan.left <= size else 1
