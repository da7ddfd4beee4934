"""What people name on a command line, a recording or a run of one, ready to be read."""

from __future__ import annotations

from pathlib import Path

from conformance.recordings.files import Source, source
from conformance.recordings.runs.index import index_of
from conformance.recordings.runs.name import run_named
from protocol.trouble import Trouble


def opened(paths: tuple[Path, ...], *, together: bool = False) -> Source:
    """A recording as `source` gives it, or the run that a name such as monday.ywrec#7 means.

    Raises Trouble where there is none, or where a run is named together with anything else.
    """
    named = [run_named(path) for path in paths]
    if not any(named):
        return source(paths, together=together)
    if len(paths) > 1:
        fix = "Name one run, or the files of one recording"
        raise Trouble("a run stands by itself", where=str(paths[0]), fix=fix)
    assert named[0] is not None
    folder, name = named[0]
    index = index_of(folder)
    return index.source(index.named(name))
