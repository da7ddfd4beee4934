"""The site in a real browser and before a validator: accessible, self-contained, readable on a phone."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from conformance.commands import main
from conformance.publish.edition import MARK
from conformance.publish.site import sources
from conformance.publish.site.front_page import DOORS
from conformance.publish.site.site import broken_links
from conformance.publish.site.yard_drawing import CARD, CARD_HEIGHT, yard_drawing
from protocol.site_file import scenario
from protocol.specification import specification
from tests.needs import needs
from tests.publish.npm import installed

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PHONE = {"width": 390, "height": 844}
WIDE = {"width": 1280, "height": 900}


def pages(published: Path) -> list[str]:
    return sorted(path.relative_to(published).as_posix() for path in published.rglob("*.html"))


# ---------------------------------------------------------------- without a browser
def test_every_message_act_command_and_requirement_has_its_page(published: Path) -> None:
    spec = specification()
    found = set(pages(published))
    assert {f"messages/{name}.html" for name in spec.messages} <= found
    assert {f"acts/{name}.html" for name in spec.acts} <= found
    assert {f"commands/{name}.html" for name in main.COMMANDS} <= found
    anchors = re.findall(
        r'<article class="rule" id="([A-Z]{3}-\d\d)"', (published / "requirements.html").read_text("utf-8")
    )
    assert anchors == list(spec.requirements)


def test_every_field_stands_on_its_page(published: Path) -> None:
    for name, schema in specification().acts.items():
        text = (published / f"acts/{name}.html").read_text("utf-8")
        assert re.findall(r'<tr id="field-(\w+)">', text) == sorted(
            schema["properties"], key=lambda field: schema["properties"][field]["cborKey"]
        )


def test_cases_for_supervisors_and_who_is_caught_by_them_are_shown(published: Path) -> None:
    cases = (published / "cases.html").read_text("utf-8")
    rules = (published / "requirements.html").read_text("utf-8")
    assert "supervisor-job-slips-in" in cases
    assert "TrustsTheWordBeforeTheClaim" in cases
    assert "supervisor-crane-busy" in rules


@pytest.mark.slow
def test_again_into_the_same_folder_gives_the_same_bytes(published: Path, tmp_path: Path) -> None:
    out = tmp_path / "again"
    assert main.run(["publish", str(out)]) == 0
    stale = out / "messages" / "stale.html"
    stale.write_text("from an edition before", encoding="utf-8")
    with (out / MARK).open("a", encoding="utf-8") as mark:
        mark.write("messages/stale.html\n")
    assert main.run(["publish", str(out)]) == 0
    made = {path.relative_to(out): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert made == {
        path.relative_to(published): path.read_bytes() for path in published.rglob("*") if path.is_file()
    }


@pytest.mark.slow
def test_a_folder_with_other_files_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "letter.txt").write_text("mine", encoding="utf-8")
    assert main.run(["publish", str(tmp_path)]) == 2
    assert "not made by 'publish'" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_broken_links_are_found() -> None:
    text = b'<a href="b.html#there">x</a><a href="gone.html">x</a><img src="https://example.org/a.png"><h2 id="here">'
    found = list(broken_links({"a.html": text, "b.html": b'<p id="here">'}, []))
    assert [line.rpartition(" leads")[2] or line for line in found][1:] == [" nowhere", " out of the site"]
    assert "names an anchor" in found[0]


@needs("npm")
def test_html_is_valid(published: Path, tmp_path: Path) -> None:
    """By html-validate (npm) with its recommended rules. Case of DOCTYPE and the length of words are taste."""
    config = tmp_path / "htmlvalidate.json"
    config.write_text(json.dumps({"root": True, "extends": ["html-validate:recommended"]}), encoding="utf-8")
    command = ["npx", "--no-install", "html-validate", "--config", str(config), "--formatter", "json"]
    told = tmp_path / "told.json"
    with told.open("wb") as out:  # It exits before a pipe has taken a long output.
        run = subprocess.run(
            [*command, *(str(published / page) for page in pages(published))],
            cwd=installed(), stdout=out, stderr=subprocess.PIPE, text=True, timeout=300,
        )  # fmt: skip
    wrong = {
        (Path(file["filePath"]).name, message["ruleId"], message["message"])
        for file in json.loads(told.read_text("utf-8") or "[]")
        for message in file["messages"]
    }
    assert not wrong
    assert run.returncode == 0, run.stderr


def test_the_front_page_shows_the_yard_and_a_door_for_each_wish(published: Path) -> None:
    page = (published / "index.html").read_text("utf-8")
    for door in DOORS:
        assert f'id="{door.id}"' in page
        for target, _ in door.pages:
            assert f'href="{target}"' in page, target
    picture = page[page.index('class="yardplan"') :].partition("</svg>")[0]
    site = scenario()
    assert all(f">{name}</text>" in picture for name in site.places)
    assert all(f" {name}</text>" in picture for name in site.nodes)
    for node in site.nodes.values():
        assert node.is_supervisor or f'<td class="n">{node.digest}</td>' in page
    slots = re.findall(r'<rect class="slot"', picture)
    assert len(slots) == sum(place.slots for place in site.places.values())


def test_the_page_of_guides_has_each_document_once_and_says_what_it_is_for(published: Path) -> None:
    page = (published / "guides.html").read_text("utf-8").partition("<main")[2]
    listed = re.findall(r'<dt><a href="([^"]+)">[^<]+</a></dt><dd>([^<]+)</dd>', page)
    documents = {source.page for source in sources.documents(sources.home()).values()} - {"changes.html"}
    assert sorted(target for target, _ in listed) == sorted(documents)
    assert all(says.endswith(".") and "python -m" not in says for _, says in listed)


def test_the_readme_says_of_each_of_its_links_which_page_it_is(published: Path) -> None:
    """Whoever has a wheel and no source finds what a link of the README leads to by what the README itself says."""
    text = (sources.home() / "README.md").read_text(encoding="utf-8")
    told = dict(re.findall(r"`([A-Za-z]+\.(?:md|toml))` is\s`([a-z]+\.html)`", text))
    assert "`docs/NAME.md`, the page is `NAME.html`" in text
    links = {link.partition("#")[0] for link in re.findall(r"(?<!!)\[[^\]]*\]\(([^)]+)\)", text)}
    assert len(links) > 20
    for link in links:
        name = link.rpartition("/")[2]
        page = told.get(name) or re.sub(r"^docs/(.*)\.md$", r"\1.html", link)
        source = sources.documents(sources.home()).get(link)
        assert (published / page).is_file(), link
        assert source is None or source.page == page, link


def test_a_yard_drawing_joins_each_crane_to_all_that_it_reaches() -> None:
    site = scenario()
    drawing = yard_drawing(site)
    reach = {beam.name: len(beam.reaches) for beam in drawing.beams}
    cranes = {node.name: len(node.crane.places) for node in site.with_role("crane") if node.crane}
    assert reach == cranes
    for one, other in combinations(drawing.cards, 2):
        assert abs(one.x - other.x) >= CARD or abs(one.y - other.y) >= CARD_HEIGHT
    assert len(drawing.stubs) == len(site.nodes)
    assert all(card.x >= 0 and card.x + CARD <= drawing.width for card in drawing.cards)


def test_message_pages_show_both_encodings_byte_by_byte(published: Path) -> None:
    for name in specification().messages:
        page = (published / f"messages/{name}.html").read_text("utf-8")
        assert len(re.findall(r'<table class="bytes">', page)) == 2, name


@needs("node")
def test_search_puts_guides_first_and_knows_what_people_type(published: Path, tmp_path: Path) -> None:
    """In the order in which the page shows them, by its own script, run by Node."""
    script = (published / "find.js").read_text("utf-8")
    index = script[script.index("const pages = ") + 14 :].partition(";\n")[0]
    rank = script[script.index("const plain =") : script.index("const look =")]
    program = (
        f"const pages = {index};\n{rank}\n"
        "for (const typed of process.argv.slice(2)) {{ const words = typed.split(' ').map(plain);"
        "const hits = known.map(([title, also, text, page]) => [rank(title, also, text, words), page])"
        ".filter(hit => hit[0]);"
        "hits.sort((one, other) => other[0] + other[1][4] - one[0] - one[1][4]);"
        "console.log(JSON.stringify(hits.map(hit => hit[1][0]))); }}".replace("{{", "{").replace("}}", "}")
    )
    typed = {
        "ESP32": "guides/",
        "Arduino": "guides/",
        "TLS": "guides/who-may-connect.html",
        "time-out": "protocol/in-time.html",
        "timeout": "protocol/in-time.html",
        "arming_timeout_ms": "protocol/",
        "first board": "guides/first-board.html",
        "ORD-06": "requirements.html#ORD-06",
        "crane-status": "messages/crane-status.html",
        "digest": "protocol/site-fields.html",
    }
    (tmp_path / "look.js").write_text(program, encoding="utf-8")
    command = ["node", str(tmp_path / "look.js"), *typed]
    run = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    for (words, wanted), line in zip(typed.items(), run.stdout.splitlines(), strict=True):
        found = json.loads(line)
        assert found, words
        assert wanted in " ".join(found[:2]), f"{words}: {found[:4]}"


# ---------------------------------------------------------------- in a browser
def opened(browser: Browser, published: Path, page: str, **options: Any) -> Page:
    """A page from a folder, no server: any request that is not for a file of the site fails the test."""
    tab = browser.new_page(**options)
    outside: list[str] = []
    tab.on(
        "request",
        lambda request: (
            outside.append(request.url) if not request.url.startswith(("file:", "data:")) else None
        ),
    )
    errors: list[str] = []
    tab.on("pageerror", lambda error: errors.append(str(error)))
    tab.goto((published / page).as_uri())
    assert outside == []
    assert errors == []
    return tab


ONE_OF_EACH_KIND = (
    "index.html", "messages/crane-status.html", "acts/transfer.html", "tables.html", "requirements.html", "cases.html",
    "figures.html", "exchanges.html", "files.html", "guides.html", "guides/first-board.html", "changes.html",
    "commands.html", "commands/publish.html",
)  # fmt: skip


@needs("npm")
@needs("chromium")
@pytest.mark.parametrize(("shade", "viewport"), [("light", WIDE), ("dark", PHONE)])
def test_axe_finds_no_violation(chromium: Browser, published: Path, shade: Any, viewport: Any) -> None:
    """By axe-core (npm), all its rules, contrast included, in both shades and widths, on every page of its kind."""
    assert violations(chromium, published, ONE_OF_EACH_KIND, shade, viewport) == []


@needs("npm")
@needs("chromium")
@pytest.mark.exhaustive
@pytest.mark.parametrize("shade", ["light", "dark"])
@pytest.mark.parametrize("viewport", [WIDE, PHONE], ids=["wide", "phone"])
def test_axe_finds_no_violation_on_any_page(
    chromium: Browser, published: Path, shade: Any, viewport: Any
) -> None:
    assert violations(chromium, published, pages(published), shade, viewport) == []


def violations(
    browser: Browser, published: Path, wanted: Sequence[str], shade: Any, viewport: Any
) -> list[Any]:
    """What axe finds, and every page that is wider than its screen."""
    axe = (installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    wrong: list[Any] = []
    for page in wanted:
        tab = opened(browser, published, page, color_scheme=shade, viewport=viewport)
        if tab.evaluate("document.documentElement.scrollWidth") > viewport["width"]:
            wrong.append((page, "wider than its screen"))
        tab.evaluate(axe)
        found = tab.evaluate("axe.run()")["violations"]
        wrong += [(page, one["id"], one["nodes"][0]["html"][:200]) for one in found]
        tab.close()
    return wrong


@needs("chromium")
def test_search_by_keyboard_alone(chromium: Browser, published: Path) -> None:
    tab = opened(chromium, published, "messages/fault.html")
    tab.keyboard.press("/")
    tab.keyboard.type("ORD-06")
    tab.keyboard.press("ArrowDown")
    tab.keyboard.press("Enter")
    tab.wait_for_url(re.compile(r"requirements\.html#ORD-06$"))
    assert tab.locator("#ORD-06").is_visible()
    tab.close()


@needs("chromium")
def test_shade_is_kept_from_page_to_page(chromium: Browser, published: Path) -> None:
    tab = opened(chromium, published, "index.html", color_scheme="light")
    light = tab.evaluate("getComputedStyle(document.body).backgroundColor")
    tab.click("#shade")
    dark = tab.evaluate("getComputedStyle(document.body).backgroundColor")
    assert dark != light
    tab.goto((published / "tables.html").as_uri())
    assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == dark
    tab.close()


@needs("chromium")
def test_print_leaves_the_way_around_out(chromium: Browser, published: Path) -> None:
    tab = opened(chromium, published, "messages/job-report.html", color_scheme="dark")
    tab.emulate_media(media="print")
    assert not tab.locator(".yard").is_visible()
    assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert tab.locator("#fields").is_visible()
    tab.close()
