"""The reports of `yardwire conform`: on the terminal and in the files that were asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from conformance.commands import report_file
from protocol.trouble import Trouble


def why(ending: BaseException) -> str:
    """How a run ended before its end, for its report."""
    if isinstance(ending, Trouble):
        return ending.what
    return "stopped by Ctrl-C" if isinstance(ending, KeyboardInterrupt) else "stopped"


def write(report: dict[str, Any], files: dict[str, Path | None]) -> None:
    """Print the report and write each file whole. Raises Trouble."""
    from conformance.reports import as_text

    click.echo(as_text.render(report))
    for kind, path in files.items():
        if path is None:
            continue
        if kind == "json":
            text = report_file.as_json(report)
        elif kind == "html":
            from conformance.reports import as_html

            text = as_html.render(report)
        else:
            from conformance.reports import as_junit

            text = as_junit.render(report)
        report_file.write(path, text)
