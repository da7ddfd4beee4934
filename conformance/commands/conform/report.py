"""The reports of `yardwire conform`: on the terminal and in the files that were asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from conformance.commands.terminal import stopping
from conformance.files import whole_file
from conformance.files.json_file import as_json
from protocol.trouble import Trouble


def why(ending: BaseException) -> str:
    """How a run ended before its end, for its report."""
    if isinstance(ending, Trouble):
        return ending.what
    if isinstance(ending, stopping.Stopped) and ending.exit_code != stopping.STOPPED_BY_CTRL_C:
        return "stopped by a signal"
    return "stopped by Ctrl-C" if isinstance(ending, KeyboardInterrupt) else "stopped"


def load(files: dict[str, Path | None]) -> None:
    """Import what writes the reports now: there is little time for it where the run is stopped."""
    from conformance.reports import as_text

    _ = as_text
    if files["html"] is not None:
        from conformance.reports import as_html

        _ = as_html
    if files["junit"] is not None:
        from conformance.reports import as_junit

        _ = as_junit


def write(report: dict[str, Any], files: dict[str, Path | None]) -> None:
    """Write each file whole, then print the report: a closed terminal must not keep files from being written.

    Raises Trouble.
    """
    from conformance.reports import as_text

    for kind, path in files.items():
        if path is None:
            continue
        if kind == "json":
            text = as_json(report)
        elif kind == "html":
            from conformance.reports import as_html

            text = as_html.render(report)
        else:
            from conformance.reports import as_junit

            text = as_junit.render(report)
        whole_file.write(path, text)
    click.echo(as_text.render(report))
