"""Options of commands that join a bus as it is described in a site file."""

from __future__ import annotations

from pathlib import Path

import click

site_option = click.option(
    "--site",
    "site_path",
    type=click.Path(path_type=Path),
    default=Path("site.toml"),
    show_default=True,
    help="The site file.",
)
broker_option = click.option(
    "--broker",
    "url",
    default="mqtt://127.0.0.1:1883",
    show_default=True,
    help="The broker: mqtt://HOST:PORT, or mqtts:// for TLS, with USER:PASSWORD@ in front of the host.",
)
