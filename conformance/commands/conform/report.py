"""The reports of `yardwire conform`: on the terminal and in the files that were asked for."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from conformance.commands.options import json_output
from conformance.commands.terminal import stopping
from conformance.commands.terminal.style import styled
from conformance.commands.terminal.width import width, wrapped
from conformance.files import whole_file
from conformance.files.json_file import as_json
from protocol.trouble import Trouble

STANDARD_OUTPUT = Path("-")


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


def write(report: dict[str, Any], files: dict[str, Path | None], exit_code: int) -> None:
    """Write each file whole, then print the report: a closed terminal must not keep files from being written.

    Raises Trouble.
    """
    from conformance.reports import as_text

    for kind, path in files.items():
        if path is None:
            continue
        if kind == "json":
            made = _document(report, exit_code)
            if path == STANDARD_OUTPUT:
                json_output.print_document(made)
                continue
            text = as_json(made)
        elif kind == "html":
            from conformance.reports import as_html

            text = as_html.render(report)
        else:
            from conformance.reports import as_junit

            text = as_junit.render(report)
        whole_file.write(path, text)
    # Where JSON has standard output for itself, what people read goes to standard error.
    aside = files.get("json") == STANDARD_OUTPUT
    columns = width(sys.stderr if aside else sys.stdout)
    text = as_text.render(report)
    click.echo(styled(text if columns >= as_text.WIDTH else wrapped(text, columns)), err=aside)


def _document(report: dict[str, Any], exit_code: int) -> dict[str, Any]:
    """The report with the head that all documents have; its verdict and its notes stand there already."""
    findings = [
        json_output.finding(
            found["seen"], requirement=found["requirement"], where=f"{report['node']}, case {case['id']}",
            fix="; ".join(found["causes"]), case=case["id"], verdict=case["verdict"],
        )
        for case in report["cases"]
        if case["verdict"] in ("fail", "error")
        for found in ([case["evidence"]] if case["evidence"] else [])
    ]  # fmt: skip
    findings += [
        json_output.finding(one["text"], where=report["node"], fix=one["do"])
        for one in report["identity"]["differences"]
    ]
    findings += [
        json_output.finding(case["reason"], where=f"{report['node']}, case {case['id']}", case=case["id"],
                            verdict=case["verdict"])
        for case in report["cases"]
        if case["verdict"] in ("fail", "error") and not case["evidence"] and case["reason"]
    ]  # fmt: skip
    made = json_output.head("conform", exit_code, report["verdict"], findings, report["notes"])
    return made | {key: value for key, value in report.items() if key not in made}
