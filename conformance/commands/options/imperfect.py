"""The option of every command that simulates mechanisms between cranes and tracks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

KINDS = ("period", "curvature", "step", "gap", "drift", "trains")

imperfect_option: Callable[[Any], Any] = click.option(
    "--imperfect",
    multiple=True,
    type=click.Choice(KINDS),
    help="What simulated mechanisms have, of three times the repeatability; repeatable. A seed's are always the same.",
)
