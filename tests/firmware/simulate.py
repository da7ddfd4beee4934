"""Runs a node of a site as a board in the simulator: make simulated-board ARGS="south --site site.toml --bench"."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from conformance.publish.firmware.simulated import start_avr_board
from protocol.site_file import load_site
from protocol.trouble import Trouble
from tests.firmware.board import CORE


def main() -> int:
    """Print its port and run it until Ctrl-C; then what it has counted. Gives the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("node", help="its name in the site file, a crane or a berth")
    parser.add_argument("--site", type=Path, required=True)
    parser.add_argument("--bench", action="store_true", help="with the bench jumper set")
    words = parser.parse_args()
    try:
        with TemporaryDirectory() as folder:
            site = load_site(words.site)
            if words.node not in site.nodes:
                raise Trouble(f"there is no node {words.node!r} in it", where=str(words.site))
            with start_avr_board(CORE, site, words.node, Path(folder), bench=words.bench) as board:
                click.echo(f"{board.port}    (power cycle: {board.reset_command})")
                try:
                    while True:
                        time.sleep(3600)
                except KeyboardInterrupt:
                    click.echo(board.tell())
    except Trouble as trouble:
        click.echo(f"Error: {trouble}", err=True)
        return 2
    return 130


if __name__ == "__main__":
    sys.exit(main())
