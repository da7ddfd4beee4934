"""The static site: every page as a path and its bytes. It works from a folder, and asks no network for anything."""

from __future__ import annotations

import json
import posixpath
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from conformance.publish.artefacts.artefacts import USES
from conformance.publish.site import front_page, views
from conformance.publish.site.finding import Entry, entry
from conformance.publish.site.guide_list import GROUPS
from conformance.publish.site.judged import is_judged, judged_in_every_case
from conformance.publish.site.prose import Prose, prose, relative
from conformance.publish.site.sources import FaultyNode, Source
from conformance.publish.site.yard_drawing import yard_drawing
from conformance.reports.diagram import plan
from conformance.templates import environment, escaped_by_name
from protocol.site import Site as SiteFile
from protocol.specification import Specification

if TYPE_CHECKING:
    from jinja2 import Environment

    from conformance.publish.site.manual import Command
    from conformance.recordings.show.drawing import Lanes
    from conformance.suite.case import Case

NAVIGATION = (
    ("start", "Start", "index.html"),
    ("guides", "Guides", "guides.html"),
    ("machines", "State tables", "tables.html"),
    ("exchanges", "Exchanges", "exchanges.html"),
    ("requirements", "Requirements", "requirements.html"),
    ("figures", "Times and sizes", "figures.html"),
    ("commands", "Commands", "commands.html"),
    ("files", "Files", "files.html"),
    ("changes", "Changes", "changes.html"),
)
"""Chapter, its name, its first page."""

SPECIFICATION_PAGES = {
    "requirements.toml": "requirements.html",
    "timing.toml": "figures.html#times",
    "limits.toml": "figures.html#limits",
    "tables/order.toml": "tables.html#order",
    "tables/guards.toml": "tables.html#guards",
    "tables": "tables.html",
    "messages": "index.html#messages",
    "acts": "index.html#acts",
}
"""Where a link into protocol/v1 leads on the site; all other files of it are published as they are."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """A lane diagram of a recording."""

    id: str
    title: str
    about: str
    drawing: Lanes


@dataclass(frozen=True, slots=True)
class Contents:
    """All that the site is made from besides the specification."""

    documents: Mapping[str, Source]
    """Path in the project to Markdown."""
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    cases: Sequence[Case] = ()
    faulty: Sequence[FaultyNode] = ()
    commands: Sequence[Command] = ()
    terminal: Mapping[str, str] = field(default_factory=dict)
    """Path to text of manual pages and of scripts that complete a command line."""
    exchanges: Sequence[Exchange] = ()
    comparison: str = ""
    """What changed since another version, as Markdown."""


class Site:
    """Makes the pages. `files` are the artefacts beside them, which pages link to."""

    def __init__(self, spec: Specification, contents: Contents, files: Sequence[str], yard: SiteFile) -> None:
        self._spec = spec
        self._yard = yard
        self._contents = contents
        self._files = list(files)
        self._index: list[Entry] = []
        self._pages: dict[str, bytes] = {}

    def pages(self) -> dict[str, bytes]:
        """Path to bytes of every page, of the style and of the search."""
        for make in (
            self._start, self._messages, self._acts, self._tables, self._requirements, self._cases, self._figures,
            self._documents, self._changes, self._commands, self._exchanges, self._listing_of_files,
        ):  # fmt: skip
            make()
        self._pages["style.css"] = self._environment.get_template("site/style.css.j2").render().encode()
        script = self._environment.get_template("site/find.js.j2")
        index = json.dumps(self._index, separators=(",", ":"), ensure_ascii=True).replace("</", "<\\/")
        self._pages["find.js"] = script.render(index=index).encode()
        return self._pages | dict(self._contents.pictures)

    @cached_property
    def _environment(self) -> Environment:
        made = environment(escaped_by_name("html.j2"))
        made.globals["dotted"] = self._spec.dotted
        return made

    def _page(self, path: str, chapter: str, template: str, title: str, **facts: Any) -> None:
        text = self._environment.get_template(f"site/{template}.html.j2").render(
            title=title,
            here=chapter,
            chapters=NAVIGATION,
            version=self._spec.dotted(),
            to=_way_from(path),
            **facts,
        )
        self._pages[path] = text.encode()

    def _findable(self, path: str, title: str, words: str, about: str) -> None:
        """Let the search find a page by these words."""
        self._index.append(entry(path, title, words, about))

    # ---------------------------------------------------------------- the protocol

    def _start(self) -> None:
        spec = self._spec
        longest: dict[tuple[str, str], int] = {}
        for row in views.size_rows():
            pair = (row.size.message, row.size.encoding.value)
            longest[pair] = max(longest.get(pair, 0), row.size.payload)
        messages = [
            {
                "name": name, "description": schema["description"], "rule": spec.topics[name],
                "sender": views.sender_in_words(spec, name),
                "cbor": longest[name, "cbor"], "json": longest[name, "json"],
            }
            for name, schema in spec.messages.items()
        ]  # fmt: skip
        acts = [(name, schema["description"]) for name, schema in spec.acts.items()]
        doors = [
            replace(door, pages=tuple(row for row in door.pages if self._will_be(row[0])))
            for door in front_page.DOORS
        ]
        self._page(
            "index.html", "start", "index", "A yard's controllers, and how they talk",
            messages=messages, acts=acts, doors=doors, yard=self._yard, drawing=yard_drawing(self._yard),
            nodes=list(front_page.node_rows(spec, self._yard)),
        )  # fmt: skip

    def _will_be(self, page: str) -> bool:
        """Whether a page of somebody's writing is published: an edition may be without them."""
        return page in self._prose or page == "requirements.html"

    def _messages(self) -> None:
        spec = self._spec
        for name in spec.messages:
            acts = (
                [(act, part["description"]) for act, part in spec.acts.items()] if name == "job-order" else []
            )
            self._schema_page(
                f"messages/{name}.html", "start", name, name, None,
                about=views.timing_of(spec, name), acts=acts,
                rules=views.rules_of_message(spec, name), what="message",
            )  # fmt: skip

    def _acts(self) -> None:
        for act, schema in self._spec.acts.items():
            about = [
                ("taken by", ", ".join(schema["roles"])),
                (
                    "is a job",
                    "yes: it moves something" if schema["job"] else "no: it moves nothing by itself",
                ),
            ]
            self._schema_page(
                f"acts/{act}.html", "start", act, "job-order", act,
                about=about, acts=[], rules=views.rules_of_act(self._spec, act), what="act of a job-order",
            )  # fmt: skip

    def _schema_page(
        self, path: str, chapter: str, title: str, message: str, act: str | None, *, what: str, **facts: Any
    ) -> None:
        spec = self._spec
        schema = spec.messages[message] if act is None else spec.acts[act]
        fields = views.field_rows(message, act)
        self._page(
            path, chapter, "message", title,
            schema=schema, rule=spec.topics[message], sender=views.sender_in_words(spec, message), when=[],
            file=f"schemas/{message}{'.' + act if act else ''}.schema.json",
            fields=fields, conditions=views.conditions(schema), example=views.example_of(message, schema),
            sizes=views.size_rows(message, act), refused=views.refused(message, act), **facts,
        )  # fmt: skip
        words = [schema["description"], *(f"{row.name} {row.description}" for row in fields)]
        self._findable(path, title, " ".join(words), f"{what}: {schema['description']}")

    def _tables(self) -> None:
        tables = [{"table": table, "plan": plan(table)} for table in self._spec.tables.values()]
        self._page(
            "tables.html", "machines", "tables", "State tables", tables=tables, checks=self._spec.order_checks,
            guards=self._spec.guards, guard_words=self._spec.guard_words, own_words=views.NO_GUARDS,
        )  # fmt: skip
        for guard in self._spec.guards.values():
            words = f"{guard.name} {guard.name.replace('_', ' ')} {guard.says}"
            self._findable(f"tables.html#guard-{guard.name}", guard.name, words, guard.says)
        for table in self._spec.tables.values():
            words = " ".join((*table.states, *(row.event for row in table.transitions)))
            self._findable(f"tables.html#{table.name}", table.title, words, "transition table")
        checks = " ".join(f"{check.name} {check.reason}" for check in self._spec.order_checks)
        self._findable("tables.html#order", "Checks of an order", checks, "in the order that decides")

    def _requirements(self) -> None:
        chapters: dict[str, list[dict[str, Any]]] = {}
        for rule in self._spec.requirements.values():
            cases = [case.id for case in self._contents.cases if rule.id in case.requirements]
            faulty = [node.name for node in self._contents.faulty if node.requirement == rule.id]
            row = {
                name: getattr(rule, name)
                for name in ("id", "level", "role", "seen", "says", "why", "source", "since")
            }
            row |= {"cases": cases, "faulty": faulty, "judged": rule.id in judged_in_every_case()}
            chapters.setdefault(rule.chapter, []).append(row)
            about = f"{rule.says[:140]}"
            self._findable(
                f"requirements.html#{rule.id}", rule.id, f"{rule.id} {rule.says} {rule.why}", about
            )
        rules = [
            {"id": chapter, "words": views.CHAPTERS[chapter], "rules": rows}
            for chapter, rows in chapters.items()
        ]
        self._page("requirements.html", "requirements", "requirements", "Requirements", rules=rules)

    def _cases(self) -> None:
        chapters: dict[str, list[dict[str, Any]]] = {}
        for case in self._contents.cases:
            faulty = [node.name for node in self._contents.faulty if node.caught_by == case.id]
            names = (
                "id",
                "page",
                "moves",
                "passive",
                "mode",
                "requirements",
                "after",
                "occasions",
                "roles",
                "since",
            )
            row = {name: getattr(case, name) for name in names}
            chapters.setdefault(case.chapter, []).append(row | {"faulty": faulty, "judged": is_judged(case)})
            self._findable(f"cases.html#{case.id}", case.id, f"{case.id} {case.page}", "conformance case")
        self._page(
            "cases.html",
            "requirements",
            "cases",
            "Conformance cases",
            chapters_of_cases=list(chapters.items()),
            judged=judged_in_every_case(),
        )

    def _figures(self) -> None:
        spec = self._spec
        figures = [
            ("times", "Times", list(spec.timing.values())),
            ("limits", "Limits", list(spec.limits.values())),
        ]
        self._page(
            "figures.html", "figures", "figures", "Times and sizes", figures=figures, sizes=views.size_rows()
        )
        for figure in [*spec.timing.values(), *spec.limits.values()]:
            self._findable(
                f"figures.html#{figure.name}", figure.name, figure.meaning, f"{figure}: {figure.meaning}"
            )

    # ---------------------------------------------------------------- what people wrote

    @cached_property
    def _prose(self) -> dict[str, Prose]:
        return {
            source.page: prose(
                source.text, self._link(path, source.page), relative(source.page, "requirements.html")
            )
            for path, source in self._contents.documents.items()
        }

    def _link(self, source: str, page: str) -> Callable[[str], str]:
        def link(target: str) -> str:
            if re.match(r"[a-z]+:", target) or target.startswith("#"):
                return target
            path, mark, anchor = target.partition("#")
            there = posixpath.normpath(posixpath.join(posixpath.dirname(source), path))
            return relative(page, self._published(there) + mark + anchor)

        return link

    def _published(self, path: str) -> str:
        """Where a file of the project stands on the site. Raises KeyError for one that is not published."""
        if path in self._contents.documents:
            return self._contents.documents[path].page
        if path in self._contents.pictures:
            return path
        if path.startswith("protocol/v1"):
            inner = path.removeprefix("protocol/v1").strip("/")
            found = SPECIFICATION_PAGES.get(inner) or (
                "tables.html" if inner.startswith("tables/") else f"specification/{inner}"
            )
            if not found.startswith("specification/") or found in self._files:
                return found
        raise KeyError(f"{path} is linked to and not published")

    def _documents(self) -> None:
        titles: dict[str, str] = {}
        for path, source in self._contents.documents.items():
            document = self._prose[source.page]
            chapter = "changes" if source.page == "changes.html" else "guides"
            if chapter == "guides":
                titles[source.page] = document.title
                self._page(source.page, chapter, "prose", document.title, prose=document)
            self._findable(source.page, document.title, document.words, f"from {path}")
        self._page(
            "guides.html",
            "guides",
            "guides",
            "Guides",
            groups=GROUPS,
            titles=titles,
        )

    def _changes(self) -> None:
        log = next(
            (source for source in self._contents.documents.values() if source.page == "changes.html"), None
        )
        text = (log.text if log else "# Changes\n") + "\n" + self._contents.comparison
        self._page(
            "changes.html", "changes", "prose", "Changes",
            prose=prose(text, self._link("CHANGELOG.md", "changes.html"), "requirements.html"),
        )  # fmt: skip

    def _commands(self) -> None:
        rows = []
        for command in self._contents.commands:
            path = f"commands/{command.name}.html"
            rows.append((path, f"yardwire {command.name}", command.summary))
            self._page(path, "commands", "command", f"yardwire {command.name}", command=command)
            words = " ".join(" ".join(part.text) for part in command.parts)
            self._findable(path, f"yardwire {command.name}", words, command.summary)
        self._page(
            "commands.html", "commands", "listing", "Commands",
            lead="One command, yardwire, with subcommands in plain words.", rows=rows, files=[],
        )  # fmt: skip

    def _exchanges(self) -> None:
        from conformance.recordings.show.drawing import WIDTH

        self._page(
            "exchanges.html", "exchanges", "exchanges", "Usual exchanges",
            exchanges=self._contents.exchanges, width=WIDTH,
        )  # fmt: skip
        for one in self._contents.exchanges:
            self._findable(f"exchanges.html#{one.id}", one.title, one.about, "exchange")

    def _listing_of_files(self) -> None:
        rows = [(name if name in self._files else "", name, about) for name, about in USES.items()]
        self._page(
            "files.html", "files", "listing", "Files for other tools",
            lead="Made from the same data as these pages.", rows=rows, files=self._files,
        )  # fmt: skip


def _way_from(page: str) -> Callable[[str], str]:
    return lambda target: relative(page, target) if target else "../" * page.count("/")


def broken_links(pages: Mapping[str, bytes], files: Sequence[str]) -> Iterator[str]:
    """Every link of a page that leads nowhere, and every address outside the site."""
    known = set(pages) | set(files)
    anchors = {path: set(re.findall(rb'\sid="([^"]+)"', text)) for path, text in pages.items()}
    for path, text in pages.items():
        if not path.endswith(".html"):
            continue
        for target in re.findall(rb'\s(?:href|src)="([^"]*)"', text):
            link = target.decode().replace("&#39;", "'")
            if link.startswith("data:"):
                continue
            if re.match(r"[a-z]+:|//", link):
                yield f"{path}: {link} leads out of the site"
                continue
            to, _, anchor = link.partition("#")
            there = posixpath.normpath(posixpath.join(posixpath.dirname(path), to)) if to else path
            if there not in known:
                yield f"{path}: {link} leads nowhere"
            elif anchor and anchor.encode() not in anchors.get(there, {anchor.encode()}):
                yield f"{path}: {link} names an anchor that is not there"
