"""What a shell offers behind Tab where click cannot know it: cases, words of the protocol, nodes of a site, files.

Each has the signature of click's `shell_complete`. What cannot be read offers nothing: an error would garble the line.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from protocol.trouble import Trouble

if TYPE_CHECKING:
    import click
    from click.shell_completion import CompletionItem


def cases(_ctx: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Ids of cases, the walk among them."""
    from conformance.commands.conform.walking import known_cases

    return _items(known_cases(), begun)


def words(_ctx: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Everything that `explain` knows."""
    from conformance.commands.explain.entries import every_entry

    return _items(dict.fromkeys(entry.name for entry in every_entry()), begun)


def nodes(ctx: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """The nodes of the site file that the line, a variable or the configuration file names."""
    from conformance.commands.options.site import site_default
    from protocol.site_file import load_site

    try:
        return _items(load_site(Path(ctx.params.get("site_path") or site_default())).nodes, begun)
    except (Trouble, OSError):
        return []


def files(_ctx: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Files, for an argument that may be more than a file."""
    from click.shell_completion import CompletionItem

    return [CompletionItem(begun, type="file")]


def scenarios(ctx: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """The kit's own scenarios; files where none of them begins so."""
    from reference_node.scenario.scenario_file import library

    return _items(library(), begun) or files(ctx, parameter, begun)


def _items(names: Iterable[str], begun: str) -> list[CompletionItem]:
    from click.shell_completion import CompletionItem

    return [CompletionItem(name) for name in names if name.startswith(begun)]
