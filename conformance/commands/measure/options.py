"""What the tasks share: pairs, the crane and the track they are of, the libraries they need, the page they write."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options.json_output import json_option
from conformance.commands.options.output_file import OutputFile
from conformance.commands.options.site import site_option
from conformance.commands.terminal.quiet import quiet_option
from conformance.commands.terminal.width import width
from conformance.files.whole_file import require_folder
from protocol.trouble import Trouble

if TYPE_CHECKING:
    import numpy as np

    from conformance.measure.arrivals import Arrivals
    from conformance.measure.causes import Shown
    from conformance.measure.choice import Choice
    from conformance.measure.pairs import Pair
    from protocol.site import Axis, CranePlace, Site

MOST_BYTES = 1 << 20
SEED = 1
"""What is played against chance is the same every time: the same pairs give the same answer."""
_FILE = click.Path(path_type=Path, dir_okay=False)

OPTIONS = (
    click.argument("pairs_file", metavar="PAIRS", type=_FILE),
    site_option,
    click.option("--crane", metavar="NAME", help="The crane; not needed where one alone has a table."),
    click.option("--place", metavar="NAME", help="The track; not needed where one alone has a table."),
    click.option(
        "--without", multiple=True, type=int, metavar="LINE", help="Leave out the pair on this line of PAIRS."
    ),
    click.option("--html", type=OutputFile(), help="Write a page with plots."),
    quiet_option,
    json_option("Print everything as one JSON document."),
)


def pairs_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the pairs, the site with crane and place, and where the answer goes."""
    for option in reversed(OPTIONS):
        command = option(command)
    return command


@dataclass(frozen=True, slots=True)
class Measured:
    """Pairs of one crane over one track, with all that was made of them."""

    site: Site
    crane: str
    entry: CranePlace
    axis: Axis
    pairs: tuple[Pair, ...]
    arrivals: Arrivals
    shown: Shown
    choice: Choice


def require_libraries(*names: str) -> None:
    """Raise Trouble where a library of the extra is not there."""
    missing = [name for name in names if find_spec(name) is None]
    if missing:
        what = f"measuring needs {' and '.join(missing)}, and this Python has none"
        raise Trouble(what, fix="Install it: pip install 'yardwire[measure]'")


def read_file(path: Path) -> bytes:
    """The bytes of a file, within bounds. Raises Trouble."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise Trouble(f"cannot be read: {error.strerror}", where=str(path), fix="Check the name") from None
    if len(content) > MOST_BYTES:
        raise Trouble(f"longer than {MOST_BYTES:,} bytes", where=str(path), fix="Name the right file")
    return content


def measured(
    pairs_file: Path,
    site_path: Path,
    crane: str | None,
    place: str | None,
    without: Sequence[int],
    html: Path | None,
) -> Measured:
    """Read everything and fit. Raises Trouble."""
    require_libraries("numpy", "scipy", "tomlkit")
    require_folder(html)
    import numpy as np

    from conformance.measure.arrivals import arrivals_of
    from conformance.measure.causes import causes
    from conformance.measure.choice import choose
    from protocol.site_file import load_site

    site = load_site(site_path)
    name, entry = entry_of(site, str(site_path), crane, place)
    pairs = _pairs(pairs_file, without)
    try:
        arrivals = arrivals_of(pairs)
        shown = causes(arrivals, np.random.default_rng(SEED))
        choice = choose(arrivals, shown)
    except Trouble as trouble:
        raise Trouble(trouble.what, where=str(pairs_file), fix=trouble.fix) from None
    found = site.nodes[name].crane
    assert found is not None
    return Measured(site, name, entry, found.axes[0], pairs, arrivals, shown, choice)


def read_pairs_file(path: Path) -> tuple[Pair, ...]:
    """The pairs of a file. Raises Trouble."""
    from conformance.measure.pairs import read_pairs

    try:
        text = read_file(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise Trouble(f"byte {error.start}: not UTF-8", where=str(path), fix="Save it as UTF-8") from None
    return read_pairs(text, str(path))


def _pairs(path: Path, without: Sequence[int]) -> tuple[Pair, ...]:
    pairs = read_pairs_file(path)
    unknown = set(without) - {pair.line for pair in pairs}
    if unknown:
        raise Trouble(f"--without {min(unknown)}: there is no pair on that line", where=str(path))
    return tuple(pair for pair in pairs if pair.line not in without)


def entry_of(site: Site, where: str, crane: str | None, place: str | None) -> tuple[str, CranePlace]:
    """The crane over a track that is meant. Raises Trouble where it is none, or several."""
    found = [
        (node.name, entry)
        for node in site.nodes.values()
        if node.crane is not None
        for entry in node.crane.places.values()
        if entry.table and crane in (None, node.name) and place in (None, entry.place)
    ]
    if len(found) == 1:
        return found[0]
    names = ", ".join(f"{name} over {entry.place}" for name, entry in found)
    what = f"several tables: {names}" if found else "no crane of that name has a table over such a track"
    raise Trouble(what, where=where, fix="Name one with --crane and --place")


def tell(*lines: str) -> None:
    """Lines for people, none wider than a terminal of 80 columns."""
    for line in lines:
        click.echo(textwrap.fill(line, width(sys.stdout), subsequent_indent="  ", break_on_hyphens=False))


def generator() -> np.random.Generator:
    """Chance for simulations, the same every time."""
    import numpy as np

    return np.random.default_rng(SEED)
