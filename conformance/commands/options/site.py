"""The site file, the same way in every command: --site, else YARDWIRE_SITE, else the configuration file."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from conformance.commands.options.settings import SITE, setting
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from protocol.site import Site

USUAL = "site.toml"
EVERY = "+"
"""Every site: the wildcard of MQTT for one level (3.1.1, section 4.7.1)."""
FROM = f"[{SITE}, or the configuration file]"
_PATH = click.Path(path_type=Path)

Option = Callable[[Any], Any]


def site_default() -> Path:
    """The site file where no option names one. Raises Trouble."""
    return Path(setting(SITE) or USUAL)


def named_site() -> Path | None:
    """The site file that somebody has named, but for options; None for none. Raises Trouble."""
    said = setting(SITE)
    return Path(said) if said else None


site_option: Option = click.option(
    "--site",
    "site_path",
    type=_PATH,
    default=site_default,
    show_default=USUAL,
    help=f"The site file.  {FROM}",
)
"""For a command that needs one."""


def optional_site_option(told: str) -> Option:
    """For a command that does more where it has one; `told` says what."""
    return click.option(
        "--site",
        "--site-file",
        "site_file",
        type=_PATH,
        default=named_site,
        help=f"Site file, {told}.  {FROM}",
    )


def site_or_name_option(told: str) -> Option:
    """For a command that listens to a site, which its name says as well as its file; None where nobody names one."""
    return click.option("--site", metavar="NAME|FILE", help=f"{told}, by its name or its site file.  {FROM}")


def is_from_option(name: str) -> bool:
    """Whether the option was given on the command line of now, and not only by a variable or file."""
    source = click.get_current_context().get_parameter_source(name)
    return source is ParameterSource.COMMANDLINE


def site_named(said: str | None) -> tuple[str | None, Site | None]:
    """The name of a site and its file's content, of what --site says, or else of the settings. Raises Trouble."""
    from protocol.site_file import load_site

    path = named_site() if said is None else Path(said) if _is_file_name(said) else None
    if path is not None:
        found = load_site(path)
        return found.name, found
    if said is not None and said != EVERY and re.fullmatch("[A-Za-z0-9-]{1,12}", said) is None:
        raise Trouble(f"{said!r} is not a site name", fix="It has 1 to 12 characters A-Z a-z 0-9 and '-'")
    return said, None


def _is_file_name(said: str) -> bool:
    """No name of a site has a dot in it."""
    return said.endswith(".toml") or Path(said).is_file()
