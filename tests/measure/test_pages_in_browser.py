"""The pages of a measurement in a real browser: whole on a phone, and with no violation that axe-core (npm) knows."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from conformance.commands.main import run
from protocol.site_file import scenario_text
from tests.needs import needs
from tests.publish.npm import installed

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = needs("chromium")
EXAMPLES = Path(__file__).parents[2] / "examples" / "measure"
TASKS = {
    "table": ("pairs.csv", "--needed", "1"),
    "budget": ("pairs.csv", "--catches", "4", "--slack", "0.3"),
    "sensor": ("trains.toml",),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("pages")
    shutil.copytree(EXAMPLES, made, dirs_exist_ok=True)
    (made / "site.toml").write_text(scenario_text(), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(made)
        for task, words in TASKS.items():
            assert run(["measure", task, *words, "--html", f"{task}.html"]) == 0
    return made


@pytest.fixture(params=[(1280, "light"), (1280, "dark"), (390, "light"), (390, "dark")], ids=str)
def page(chromium: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    width, shade = request.param
    context = chromium.new_context(
        viewport={"width": width, "height": 900}, color_scheme=shade, bypass_csp=True
    )
    yield context.new_page()
    context.close()


def test_each_page_is_whole_and_can_be_read_by_everybody(page: Page, folder: Path) -> None:
    """Nothing is fetched, nothing is wider than the screen, no figure hides a part of itself."""
    axe = (installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    fetched: list[str] = []
    page.on("request", lambda request: fetched.append(request.url))
    for task in TASKS:
        page.goto((folder / f"{task}.html").as_uri())
        screen = page.evaluate("document.documentElement.clientWidth")
        assert page.evaluate("document.documentElement.scrollWidth") <= screen
        rights = page.evaluate(
            "[...document.querySelectorAll('svg')].map(one => one.getBoundingClientRect().right)"
        )
        assert rights
        assert max(rights) <= screen
        texts = page.evaluate(
            "[...document.querySelectorAll('svg text')].map(one => [one.textContent, one.getBoundingClientRect()"
            ".height, one.getBoundingClientRect().left, one.getBoundingClientRect().right])"
        )
        assert all(left >= 0 and right <= screen for _, _, left, right in texts), texts
        assert all(height >= 8 for text, height, _, _ in texts if text.strip()), texts
        page.evaluate(axe)
        assert page.evaluate("axe.run()")["violations"] == []
    assert all(url.startswith("file:") for url in fetched)
    assert len(fetched) == len(TASKS)


def test_the_page_of_a_table_says_what_so_few_arrivals_may_hide(folder: Path) -> None:
    assert "24 arrivals may hide a jump" in (folder / "table.html").read_text("utf-8")
