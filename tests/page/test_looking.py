"""The page that only watches, in a browser: choices, changes, bytes and meaning, lamps, who works with whom."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

from conformance.page.server.live_model import LivePage
from conformance.page.server.server import serve
from protocol.recording import EventKind
from protocol.site_file import scenario
from tests.needs import needs
from tests.page.said import CRANE, SHUTTLE, STATUS, Bus
from tests.publish.npm import installed

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = needs("chromium")
PATIENCE_MS = 30_000
TRANSFER: dict[str, Any] = {"from": "stack-n", "from_slot": 1, "to": "ferry", "to_slot": 0}


class Shown:
    """A bus that somebody looks at; nothing else runs."""

    def __init__(self, bus: Bus, url: str) -> None:
        self.bus, self.url = bus, url


@pytest.fixture
def shown() -> Iterator[Shown]:
    now_us = [1_000_000]
    page = LivePage(scenario(), "a bus", lambda: now_us[0])
    bus = Bus()
    bus.yard = page._yard

    bus.link(EventKind.CONNECTED)
    for node in ("north", "ferry"):
        roles = ["crane"] if node == "north" else ["shuttle"]
        bus.say(node, "node-status", **(STATUS | {"roles": roles}))
    bus.say("north", "crane-status", **CRANE, inputs=0b101)
    bus.say("ferry", "shuttle-status", **SHUTTLE, inputs=0b01)
    slots = ["C-100", "C-101", "", ""]
    bus.say("yard", "yard-map/stack-n", state="running", slots=slots, rests_on=[])
    bus.order("north", "transfer", id=65_537, deadline=90_000, box="C-101", **TRANSFER)
    with serve(page) as served:
        yield Shown(bus, served.url)


@pytest.fixture(params=[(1280, "light"), (390, "dark")], ids=["1280", "390"])
def tab(chromium: Browser, shown: Shown, request: pytest.FixtureRequest) -> Iterator[Page]:
    width, shade = request.param
    page = chromium.new_page(viewport={"width": width, "height": 800}, color_scheme=shade)
    page.set_default_timeout(PATIENCE_MS)
    wrong: list[str] = []
    page.on("console", lambda told: wrong.append(told.text) if told.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(shown.url)
    page.locator("#link.up").wait_for()
    yield page
    assert wrong == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_one_walk_over_all_of_it(tab: Page, shown: Shown) -> None:
    # Who works with whom, and where the boxes are.
    tab.locator('[data-edge="north/stack-n"].busy').wait_for(state="attached")
    assert tab.locator('[data-edge="north/ferry"].busy').count() == 1
    assert tab.locator('[data-edge="south/ferry"].busy').count() == 0
    assert tab.locator('[data-spread="stack-n"] [data-stands="1"] text').text_content() == "C-101"
    # Lamps in the order of the site file.
    lamps = tab.locator("#sensors li.card", has_text="ferry").locator(".lamps li")
    assert [one.get_attribute("class") for one in lamps.all()][:2] == ["lamp-on", "lamp-off"]
    # Bytes beside their meaning, and what changed.
    shown.bus.say("north", "crane-status", **(CRANE | {"mode": "working"}), inputs=0b101)
    for _ in range(80):
        shown.bus.say("ferry", "shuttle-status", **SHUTTLE, inputs=0b01)
    tab.locator("#only-node").select_option("north")
    tab.locator("#only-message").select_option("crane-status")
    line = tab.locator(".log li", has_text="working")
    line.wait_for()
    assert tab.locator(".log li", has_text="shuttle-status").count() == 0
    line.locator(".peek").click()
    assert "mode ready > working" in (tab.locator("#detail-changed").text_content() or "")
    raw = bytes.fromhex(tab.locator("#detail-raw").text_content() or "")
    assert b'"working"' in raw
    assert '"mode": "working"' in (tab.locator("#detail-decoded").text_content() or "")
    tab.locator("#delta").check()
    tab.locator(".log li .words", has_text="mode ready > working").wait_for()


@needs("npm")
def test_axe_finds_nothing(tab: Page) -> None:
    tab.locator(".peek").first.click()
    tab.evaluate((installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8"))
    found = tab.evaluate("axe.run()")["violations"]
    assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found] == []
