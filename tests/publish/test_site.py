"""The site in a real browser and before a validator: accessible, self-contained, readable on a phone."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from conformance.commands import main
from conformance.publish.edition import MARK
from conformance.publish.site.site import broken_links
from protocol.specification import specification
from tests.needs import needs
from tests.publish.npm import installed

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PHONE = {"width": 390, "height": 844}


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
@pytest.mark.parametrize("shade", ["light", "dark"])
def test_axe_finds_no_violation(chromium: Browser, published: Path, shade: Any) -> None:
    """By axe-core (npm), all its rules, contrast included, in both shades, on every page that differs in kind."""
    axe = (installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    wrong = []
    for page in ONE_OF_EACH_KIND:
        tab = opened(chromium, published, page, color_scheme=shade)
        tab.evaluate(axe)
        found = tab.evaluate("axe.run()")["violations"]
        wrong += [(page, one["id"], one["nodes"][0]["html"][:200]) for one in found]
        tab.close()
    assert wrong == []


@needs("chromium")
def test_readable_on_a_phone(chromium: Browser, published: Path) -> None:
    """No page is wider than the screen: what is wide scrolls by itself."""
    for page in ONE_OF_EACH_KIND:
        tab = opened(chromium, published, page, viewport=PHONE)
        assert tab.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], page
        tab.close()


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
