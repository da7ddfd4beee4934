"""The options of every command that reaches a board over a serial line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

RATES = (1200, 115_200 * 20)

Option = Callable[[Any], Any]


def serial_option(told: str) -> Option:
    """`--serial PORT`."""
    option: Option = click.option("--serial", "serial_port", metavar="PORT", help=told)
    return option


baud_option: Option = click.option(
    "--baud",
    type=click.IntRange(*RATES),
    default=115_200,
    show_default=True,
    help="Rate of the serial line.",
)
