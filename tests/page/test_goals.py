"""Goals and the second look on the page, in a real browser; another client of the broker hears what was published."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from protocol.topics import parse_topic
from protocol.validation import read_message
from reference_node.supervisor.questions.question import Ask, Question
from tests.needs import needs
from tests.page.at_work import AtWork, at_work
from tests.page.test_browser import PATIENCE_MS, opened

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = needs("chromium")
LOOKING = ("ask", "claim")


def answer(question: Question) -> None:
    if question.about is Ask.SHUTTLE:
        question.answer("quay-n")
    elif question.about is Ask.TRACK:
        question.answer()


@contextmanager
def listener(yard: AtWork) -> Iterator[list[dict[str, Any]]]:
    """A client of its own: every order that is published while it listens, with the topic's node."""
    heard: list[dict[str, Any]] = []

    def take(_client: Any, _data: object, message: mqtt.MQTTMessage) -> None:
        topic = parse_topic(message.topic)
        body = read_message("job-order", bytes(message.payload), closed=False).body or {}
        if body.get("act") not in LOOKING:
            heard.append({"node": topic.node, **body})

    client = mqtt.Client(CallbackAPIVersion.VERSION2, "listener")
    client.on_message = take
    client.connect(yard.broker.host, yard.broker.port)
    client.subscribe("yw1/harlow-basin/+/job-order")
    client.loop_start()
    try:
        yield heard
    finally:
        client.loop_stop()
        client.disconnect()


@pytest.fixture(scope="module")
def yard() -> Iterator[AtWork]:
    with at_work(answer=answer) as found:
        yield found


@pytest.fixture
def tab(chromium: Browser, yard: AtWork) -> Iterator[Page]:
    for page in opened(chromium, yard):
        for crane in ("north", "south"):
            page.locator(f'[data-says="crane/{crane}"]', has_text="ready").wait_for()
        yield page


def want(tab: Page, box: str, place: str, slot: str) -> None:
    tab.locator("#want-box").fill(box)
    tab.locator("#want-place").select_option(place)
    tab.locator("#want-slot").select_option(slot)
    tab.locator("#want button").click()


def test_what_cannot_be_is_refused_when_it_is_looked_at(tab: Page, yard: AtWork, tmp_path: Path) -> None:
    """The button that sends stays off, and another client hears no order; nor when the page is gone round."""
    with listener(yard) as heard:
        for box, place, slot, why in (
            (
                "C-999",
                "stack-s",
                "0",
                "Would be refused: there is no box C-999: known are C-100, C-101, C-102",
            ),
            ("C-102", "stack-s", "1", "would be in mid-air: nothing stands in slot 0 below it"),
        ):
            want(tab, box, place, slot)
            tab.locator("#ask-review.wrong", has_text=why).wait_for()
            assert tab.locator("#ask-yes").is_disabled()
            tab.screenshot(path=tmp_path / "refused.png")
            tab.locator("#ask-no").click()
        tab.locator("#who").select_option("north")
        tab.locator("#what").select_option("transfer")
        for name, value in (
            ("from", "stack-n"), ("from_slot", "0"), ("to", "ferry"), ("to_slot", "0"), ("box", "C-100"),
        ):  # fmt: skip
            field = tab.locator(f'#fields [name="{name}"]')
            if name != "box":
                field.select_option(value)
            else:
                field.fill(value)
        tab.locator("#compose button").click()
        tab.locator("#ask-review.wrong", has_text="box C-100 has another on top, or nobody knows").wait_for()
        assert tab.locator("#ask-yes").is_disabled()
        tab.locator("#ask-no").click()
        order = {
            "do": "order",
            "node": "north",
            "act": "transfer",
            "fields": {"to": "ferry", "to_slot": 0, "box": "C-100"},
        }
        posted = tab.evaluate(
            """async (order) => (await fetch("order", { method: "POST",
            headers: { "content-type": "application/json" }, body: JSON.stringify(order) })).json()""",
            order,
        )
        assert posted == {"refused": "the spreader of north holds nothing, not C-100"}
        tab.wait_for_timeout(1_500)
        assert heard == []


def test_a_review_says_what_would_happen(tab: Page, yard: AtWork) -> None:
    with listener(yard) as heard:
        tab.locator("#who").select_option("north")
        tab.locator("#what").select_option("park")
        tab.locator("#compose button").click()
        tab.locator("#ask-review", has_text="Would do: north: park; as order").wait_for()
        assert tab.locator("#ask-yes").is_enabled()
        tab.locator("#ask-no").click()
        tab.wait_for_timeout(1_000)
        assert heard == []


def test_an_order_is_sent_by_keyboard_alone_once_it_was_looked_at(tab: Page, yard: AtWork) -> None:
    with listener(yard) as heard:
        tab.locator("#who").focus()
        for key in ("south", "Tab", "park", "Tab", "Enter"):
            tab.keyboard.press(key) if key in ("Tab", "Enter") else tab.keyboard.type(key)
        tab.locator("#ask-yes:enabled").wait_for()
        assert heard == []
        assert tab.evaluate("document.activeElement.id") == "ask-no"
        tab.keyboard.press("Shift+Tab")
        assert tab.evaluate("document.activeElement.id") == "ask-yes"
        tab.keyboard.press("Enter")
        tab.locator("#said", has_text="Taken: south: park").wait_for()
        tab.locator("#jobs li", has_text="south").filter(has_text="park").wait_for()
        while not heard:
            tab.wait_for_timeout(100)
        assert {(one["node"], one["act"]) for one in heard} == {("south", "park")}


def test_goals_are_listed_put_in_another_order_and_dropped(tab: Page, yard: AtWork, tmp_path: Path) -> None:
    """The supervisor is held, so that nothing is met while it is looked at."""
    tab.locator("#whom").select_option("all")
    tab.evaluate("""() => fetch("order", { method: "POST", headers: { "content-type": "application/json" },
        body: JSON.stringify({ do: "hold", node: "all" }) })""")
    tab.locator("#troubles li", has_text="is held").first.wait_for()
    for box, place, slot in (("C-102", "stack-s", "0"), ("C-101", "stack-n", "2")):
        want(tab, box, place, slot)
        tab.locator(
            "#ask-review", has_text=f"Would do: planned for: box {box} to {place} slot {slot}"
        ).wait_for()
        tab.locator("#ask-yes").click()
        tab.locator("#goals li", has_text=f"box {box} to {place} slot {slot}").wait_for()
    rows = tab.locator("#goals ol li b")
    first, second = rows.all_inner_texts()
    tab.locator("#goals ol li").nth(1).get_by_role("button", name="Earlier").click()
    tab.locator("#ask-yes:enabled").click()
    tab.wait_for_function(
        "first => document.querySelector('#goals ol li b').textContent !== first", arg=first
    )
    assert rows.all_inner_texts() == [second, first]
    tab.locator("#goals ol li").first.get_by_role("button", name="Earlier").click()
    tab.locator("#ask-review.wrong", has_text="positions are 1 to 2, not 0").wait_for()
    assert tab.locator("#ask-yes").is_disabled()
    tab.locator("#ask-no").click()
    tab.locator("#goals").screenshot(path=tmp_path / "goals.png")
    for number in (second, first):
        tab.locator("#goals ol li").first.get_by_role("button", name=f"Drop: goal {number},").click()
        tab.locator("#ask-review", has_text=f"goal {number} is dropped").wait_for()
        tab.locator("#ask-yes:enabled").click()
        tab.locator(f"#said:has-text('Taken: Drop: goal {number},')").wait_for(timeout=PATIENCE_MS)
    tab.locator("#goals .none").wait_for()
    assert json.loads(tab.locator("#facts").inner_text())["slots"]["stack-s"] == 2
