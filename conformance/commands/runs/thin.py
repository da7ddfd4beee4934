"""`yardwire runs thin FOLDER`: old recordings go, those in which something matters stay."""

from __future__ import annotations

import re
from pathlib import Path

import click

from conformance.commands.options import json_output
from conformance.commands.terminal.quiet import quiet_option, say_result
from protocol.trouble import Trouble

UNITS = {"": 1, "k": 1000, "M": 1000**2, "G": 1000**3}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--keep", required=True, metavar="SIZE", help="How much all recordings together may take: 20G, say."
)
@click.option("--yes", is_flag=True, help="Take the files away; without it they are only named.")
@quiet_option
@json_output.json_option("Print what goes and what stays as one JSON document.")
def thin(folder: Path, keep: str, yes: bool, as_json: bool) -> int:
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
        if not as_json:
            click.echo(f"{'taken away' if yes else 'would go'}: {path}")
    code = int(plan.left > size)
    if as_json:
        left = f"{plan.left:,} bytes {'are' if yes else 'would be'} left, more than {size:,}: what matters takes them"
        fix = "Keep more, or take back what is said of runs that need not stay"
        json_output.tell(
            {
                "taken_away": yes, "goes": [str(path) for path in plan.goes], "stays": plan.matters,
                "left": plan.left, "keep": size,
            },
            exit_code=code, verdict=json_output.judged(code),
            findings=[json_output.finding(left, where=str(folder), fix=fix)] if code else [],
        )  # fmt: skip
        return code
    for name, why in plan.matters.items():
        say_result(f"stays: {name}: {why}")
    say_result(f"{plan.left:,} bytes {'are' if yes else 'would be'} left")
    return code
