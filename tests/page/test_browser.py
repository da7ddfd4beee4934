"""The page in a real browser, with reference nodes and a reference supervisor on the embedded broker."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from conformance.page.server.saved_orders import SavedOrders
from protocol.site_file import scenario
from reference_node.supervisor.observe.gap import AWAY
from reference_node.supervisor.questions.question import CAUTION, Ask, Question
from tests.needs import needs
from tests.page.at_work import AtWork, at_work
from tests.publish.npm import installed
from tests.supervisor.bus import Subscriber, answered, mortal_broker, subscriber_at, until
from tests.supervisor.terminal import NODES

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = needs("chromium")
PHONE = {"width": 375, "height": 800}
PATIENCE_MS = 30_000
SAVED = """\
[tidy]
node = "south"
act = "park"

[high]
node = "north"
act = "jog"
x = 600
y = 0
z = 0
"""
RESUME = """async (node) => (await fetch("order", {
  method: "POST", headers: { "content-type": "application/json" },
  body: JSON.stringify({ do: "resume", nodes: [node] }),
})).json()"""


@pytest.fixture(scope="module")
def yard() -> Iterator[AtWork]:
    """Its shuttle is lost at the start, so that there is a question; nobody has answered it."""
    with at_work() as found:
        yield found


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AtWork]:
    """A yard in which every question has been answered, and nothing is held for a person any more."""
    path = tmp_path_factory.mktemp("saved") / "orders.toml"
    path.write_text(SAVED)
    with at_work(answer=answer_at_once, saved=SavedOrders(scenario(), path)) as found:
        supervisor = found.supervisor
        until(lambda: supervisor.was_owned and not supervisor.questions and not len(supervisor.holds))
        yield found


def answer_at_once(question: Question) -> None:
    """A person who has looked already; all of it stands as it was told."""
    question.answer(*(["quay-n"] if question.about is Ask.SHUTTLE else []))


@pytest.fixture
def calm_tab(chromium: Browser, calm: AtWork) -> Iterator[Page]:
    yield from opened(chromium, calm)


@pytest.fixture
def tab(chromium: Browser, yard: AtWork) -> Iterator[Page]:
    yield from opened(chromium, yard)


def opened(chromium: Browser, yard: AtWork, **options: Any) -> Iterator[Page]:
    """The page, connected; any error on its console, and any request that leaves its server, fails the test."""
    page = chromium.new_page(**options)
    page.set_default_timeout(PATIENCE_MS)
    wrong: list[str] = []
    page.on("console", lambda told: wrong.append(told.text) if told.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on(
        "request",
        lambda request: wrong.append(request.url) if not request.url.startswith(yard.served.url) else None,
    )
    page.goto(yard.served.url)
    page.locator("#link.up").wait_for()
    page.locator('[data-says="crane/north"]', has_text=re.compile("unhomed|ready|homing|working")).wait_for()
    yield page
    assert wrong == []
    page.close()


def compose_homing(page: Page) -> None:
    """Come as far as the question before an order is sent."""
    page.locator("#who").select_option("south")
    page.locator("#what").select_option("home")
    page.locator("#compose button[type=submit]").click()
    page.locator("#ask").wait_for()


def test_it_shows_the_yard(tab: Page, tmp_path: Path) -> None:
    tab.locator('[data-place="stack-n"] [data-slot="1"]', has_text="C-101").wait_for()
    assert tab.locator("#health .card").count() == 5
    assert tab.locator("#messages .log li").count() > 10
    assert tab.locator(".crane.known").count() > 0
    picture = tmp_path / "page.png"
    tab.screenshot(path=picture, full_page=True)
    assert picture.stat().st_size > 50_000


def test_a_box_is_drawn_at_the_scale_of_its_axis(tab: Page) -> None:
    """Two columns 120 mm apart in the site file are as far apart on the screen as 120 mm of the crane's reach."""
    found = tab.evaluate("""() => {
      const x = (query) => document.querySelector(query).getBoundingClientRect();
      const reach = x(".reach").width / 600;
      const boxes = [0, 2].map((n) => x(`[data-key="spot/0/stack-n/${n}"][data-view="plan"] rect`).x);
      return [reach, boxes[1] - boxes[0]];
    }""")
    assert found[1] == pytest.approx(120 * found[0], abs=1.0)


@needs("npm")
@pytest.mark.parametrize("shade", ["light", "dark"])
def test_axe_finds_no_violation(chromium: Browser, yard: AtWork, shade: Any) -> None:
    """By axe-core (npm), all its rules, contrast included, in both shades, the question before an order too."""
    axe = (installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    for page in opened(chromium, yard, color_scheme=shade):
        page.evaluate(axe)
        for asking in (False, True):
            if asking:
                compose_homing(page)
            found = page.evaluate("axe.run()")["violations"]
            assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found] == []


def test_no_wider_than_a_phone(chromium: Browser, yard: AtWork) -> None:
    for page in opened(chromium, yard, viewport=PHONE):
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_an_order_by_keyboard_alone(tab: Page, yard: AtWork) -> None:
    """Chosen, looked at, and not sent where it would be refused."""
    tab.locator("#who").focus()
    tab.keyboard.type("south")
    tab.keyboard.press("Tab")
    tab.keyboard.type("home")
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    asked = tab.locator("#ask")
    asked.wait_for()
    assert asked.locator("#ask-words").inner_text() == "south: home"
    assert "Hands clear" in asked.inner_text()
    assert tab.evaluate("document.activeElement.id") == "ask-no"
    tab.keyboard.press("Escape")
    asked.wait_for(state="hidden")
    assert tab.locator("#said").inner_text() == ""
    tab.keyboard.press("Enter")
    asked.wait_for()
    # The supervisor's own rules answer before it is sent: a crane beside an open question is not homed.
    asked.locator("#ask-review.wrong", has_text="Would be refused: ").wait_for()
    assert asked.locator("#ask-yes").is_disabled()
    tab.keyboard.press("Enter")
    asked.wait_for(state="hidden")
    assert tab.locator("#said").inner_text() == ""


def test_a_question_is_answered_and_then_the_shuttle_runs(tab: Page) -> None:
    question = tab.locator("#questions ul li", has_text="At which place does shuttle ferry stand?")
    question.get_by_role("button", name="quay-n").click()
    tab.locator("#ask-yes").click()
    tab.locator("#said", has_text=f"Taken: {CAUTION} At which place").wait_for()
    question.wait_for(state="detached")
    tab.locator('[data-says="place/ferry"]', has_text="at-place quay-n").wait_for()
    tab.locator('[data-key="carrier/0/ferry"]:not(.away)').first.wait_for(state="attached")


def heard_until(subscriber: Subscriber, wanted: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """Wait until another client has heard all of `wanted`; gives the resumes that it has heard by then."""
    found: set[tuple[str, str]] = set()

    def all_of_it() -> bool:
        found.update(subscriber.heard())
        return found >= wanted

    until(all_of_it)
    return {one for one in found if one[1] == "resume"}


def test_a_saved_order_is_looked_at_and_then_sent_as_any_other(calm_tab: Page, calm: AtWork) -> None:
    """Its fields stand in the question; nothing is on the bus before the yes, and a no sends nothing."""
    saved, asked = calm_tab.locator("#saved-name"), calm_tab.locator("#ask")
    for name in ("north", "south"):
        calm_tab.locator(f'[data-says="crane/{name}"]', has_text="ready").wait_for()
    assert saved.locator("option").all_inner_texts() == [
        "tidy: south: park",
        "high: north: jog, x 600, y 0, z 0",
    ]
    with subscriber_at(calm.broker.port) as subscriber:
        saved.select_option("high")
        calm_tab.locator("#saved button").click()
        assert asked.locator("#ask-words").inner_text() == "north: jog, x 600, y 0, z 0"
        assert asked.locator("#ask-caution").inner_text()
        calm_tab.locator("#ask-no").click()
        asked.wait_for(state="hidden")
        saved.select_option("tidy")
        calm_tab.locator("#saved button").click()
        assert asked.locator("#ask-words").inner_text() == "south: park"
        assert calm_tab.evaluate("document.activeElement.id") == "ask-no"
        calm_tab.locator("#ask-yes").click()
        found: list[tuple[str, str]] = []

        def parked() -> bool:
            found.extend(subscriber.heard())
            return ("south", "park") in found

        until(parked)
        assert ("north", "jog") not in found
    until(lambda: all(not session.open for session in calm.supervisor.sessions.values()))


def test_one_click_holds_every_node_and_only_resume_asks(calm_tab: Page, calm: AtWork) -> None:
    with subscriber_at(calm.broker.port) as subscriber:
        assert calm_tab.locator("#holds").is_hidden()
        assert calm_tab.get_by_role("button", name=re.compile("^Resume")).count() == 0, "nothing is held"
        calm_tab.locator(".bar .hold").click()
        assert not calm_tab.locator("#ask").is_visible()
        told = calm_tab.locator("#holds li", has_text="by the page").filter(
            has_text="obeyed, by its own word"
        )
        for number in range(4):
            told.nth(number).wait_for()
        assert calm_tab.locator("#held").inner_text() == "Held: ferry, north, siding, south"
        assert heard_until(subscriber, {(name, "hold") for name in NODES}) == set()

        calm_tab.locator("#holds").get_by_role("button", name="Resume north", exact=True).click()
        asked = calm_tab.locator("#ask")
        assert "Hands clear" in asked.locator("#ask-caution").inner_text()
        assert calm_tab.evaluate("document.activeElement.id") == "ask-no"
        calm_tab.locator("#ask-yes").click()
        calm_tab.locator("#holds li", has_text="north").wait_for(state="detached")
        assert heard_until(subscriber, {("north", "resume")}) == {("north", "resume")}
        assert set(calm.supervisor.holds) == {"south", "siding", "ferry"}

        calm_tab.locator("#resume").click()
        assert asked.locator("#ask-words").inner_text() == "Resume ferry, siding, south"
        calm_tab.locator("#ask-yes").click()
        calm_tab.locator("#holds").wait_for(state="hidden")
        others = {(name, "resume") for name in ("south", "siding", "ferry")}
        assert heard_until(subscriber, others) == others


def test_one_key_holds_every_node_even_while_something_is_asked(calm_tab: Page, calm: AtWork) -> None:
    compose_homing(calm_tab)
    calm_tab.keyboard.press("F8")
    calm_tab.locator("#ask").wait_for(state="hidden")
    calm_tab.locator("#held", has_text="Held: ferry, north, siding, south").wait_for()
    calm_tab.locator("#resume").click()
    calm_tab.locator("#ask-yes").click()
    calm_tab.locator("#holds").wait_for(state="hidden")


@needs("mosquitto")
def test_a_hold_that_is_not_sent_stands_in_red_until_it_is(chromium: Browser) -> None:
    """The broker is killed and comes back on its port: the hold has waited, a resume has not."""
    with mortal_broker() as broker, at_work(broker=broker, answer=answered) as yard:
        for page in opened(chromium, yard):
            until(lambda: yard.supervisor.was_owned)
            broker.kill()
            page.locator("#link.down").wait_for()
            page.keyboard.press("F8")
            red = "NOT HELD YET: ferry, north, siding, south: not sent: the bus is away"
            page.locator("#held.bad", has_text=red).wait_for()
            assert page.get_by_role("button", name=re.compile("^Resume")).count() == 0, "nothing is held yet"
            asked = page.evaluate(RESUME, "north")
            assert asked == {"refused": AWAY}
            broker.revive()
            with subscriber_at(broker.port) as subscriber:
                page.locator("#held", has_text="Held: ferry, north, siding, south").wait_for()
                question = page.locator("#questions ul li", has_text="The bus was away for")
                question.get_by_role("button", name="go on").click()
                page.locator("#ask-yes").click()
                question.wait_for(state="detached")
                assert "resume" not in {act for _, act in subscriber.heard()}
            assert set(yard.supervisor.holds) == set(NODES)


def test_another_sites_page_can_neither_look_nor_order(chromium: Browser, calm: AtWork) -> None:
    """Even one that has got hold of the whole address."""
    page = chromium.new_page()
    page.route(
        "http://evil.example/", lambda route: route.fulfill(body="<title>x</title>", content_type="text/html")
    )
    page.goto("http://evil.example/")
    tried = page.evaluate(
        """async (url) => {
          const order = { method: "POST", body: '{"do":"hold","node":"all"}' };
          const json = { ...order, headers: { "content-type": "application/json" } };
          const tries = [fetch(url), fetch(url + "order", json), fetch(url + "order", { ...order, mode: "no-cors" })];
          return Promise.all(tries.map((one) => one.then((answer) => answer.type, () => "failed")));
        }""",
        calm.served.url,
    )
    assert tried[:2] == ["failed", "failed"]
    page.close()
    assert not calm.supervisor.holds


def test_a_page_that_is_cut_off_says_so(chromium: Browser) -> None:
    page = chromium.new_page()
    with at_work(with_desk=False) as yard:
        page.goto(yard.served.url)
        page.locator("#link.up").wait_for(timeout=PATIENCE_MS)
        assert page.get_by_role("button").count() == 0
    page.locator("#old", has_text="all that it shows is old").wait_for(timeout=PATIENCE_MS)
    assert page.locator("#link").inner_text() == "The page is cut off"
    page.close()
