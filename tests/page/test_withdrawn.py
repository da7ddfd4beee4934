"""Questions that were withdrawn: in the stream, at the address for orders, and in a browser."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

import pytest

from conformance.page.server.desk import Question, WithdrawnQuestion
from conformance.page.server.live_model import LivePage
from conformance.page.server.server import serve
from protocol.site_file import scenario
from reference_node.supervisor.person.by_hand import NumberedQuestion
from reference_node.supervisor.person.by_hand import WithdrawnQuestion as Gone
from reference_node.supervisor.questions.question import TURN_BACK
from tests.needs import needs
from tests.page.at_work import AtWork, at_work
from tests.page.test_browser import opened
from tests.page.test_orders import Noting
from tests.page.test_server import PATIENCE_S, Clock, Viewer, order
from tests.publish.npm import installed

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

WHY = "this supervisor orders nothing more."
FERRY = "At which place does shuttle ferry stand?"


def told(
    viewer: Viewer, enough: Callable[[dict[str, Any]], bool], model: dict[str, Any] | None = None
) -> dict[str, Any]:
    """What a viewer knows once it is enough; every step is taken over as the page does it."""
    model = {} if model is None else model
    end = monotonic() + PATIENCE_S
    while not enough(model):
        assert monotonic() < end, sorted(model)
        said = viewer.next()
        for key in said["gone"]:
            model.pop(key, None)
        model.update(said["set"])
    return model


def about(model: dict[str, Any], kind: str, where: str) -> list[str]:
    return [key for key, one in model.items() if key.startswith(f"{kind}/") and one["where"] == where]


def wind_up(yard: AtWork) -> None:
    def do(_participant: object, _now_ms: int) -> tuple[()]:
        yard.supervisor.wind_up()
        return ()

    yard.host.call(do)


# ---------------------------------------------------------------- over HTTP
def test_it_is_in_the_stream_and_takes_no_answer() -> None:
    with at_work() as yard:
        viewer = Viewer(yard.served)
        model = told(viewer, lambda model: bool(about(model, "question", "ferry")))
        (key,) = about(model, "question", "ferry")
        number = int(key.partition("/")[2])
        wind_up(yard)
        model = told(viewer, lambda model: bool(about(model, "withdrawn", "ferry")))
        viewer.close()
        gone = model[f"withdrawn/{number}"]
        assert (gone["caution"], gone["where"]) == (TURN_BACK, "ferry")
        assert gone["text"].startswith(FERRY)
        assert gone["why"].startswith(WHY)
        assert 0 <= yard.page.clock() // 1000 - gone["at"] < 20_000
        assert about(model, "question", "ferry") == []
        asked = {"do": "answer", "number": number, "choice": "quay-n"}
        for look in ({}, {"look": True}):
            status, said = order(yard.served, {**asked, **look})
            assert status == 200
            assert json.loads(said)["refused"] == f"WITHDRAWN, do not answer: {gone['why']}"
        assert yard.supervisor.sessions["ferry"].words["shuttle-status"]["state"] == "lost"


class Asking(Noting):
    """A desk with one question, in whatever state the test puts it."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[Question] = [
            NumberedQuestion(1, f"Remove motor power first. {FERRY}", ("quay-n",), "ferry")
        ]
        self.gone: list[WithdrawnQuestion] = []
        self.away = False

    def questions(self) -> list[Question]:
        return self.open

    def withdrawn(self) -> list[WithdrawnQuestion]:
        return self.gone

    def owner(self, work: Callable[[], None]) -> None:
        if self.away:
            raise TimeoutError("it is busy")
        work()


def test_it_stands_until_it_is_asked_anew() -> None:
    desk = Asking()
    with serve(LivePage(scenario(), "a test", Clock()), desk=desk, owner=desk.owner) as served:
        viewer = Viewer(served)
        told(viewer, lambda model: "question/1" in model)
        desk.gone = [Gone(1, FERRY, "ferry", WHY, TURN_BACK, 400)]
        desk.open = []
        model = told(viewer, lambda model: "withdrawn/1" in model)
        assert model["withdrawn/1"] == {
            "text": FERRY, "where": "ferry", "why": WHY, "caution": TURN_BACK, "at": 1_100,
        }  # fmt: skip
        desk.open, desk.gone = [NumberedQuestion(2, FERRY, ("quay-n",), "ferry")], []
        again = told(viewer, lambda model: "question/2" in model, model)
        assert "withdrawn/1" not in again
        viewer.close()


def test_a_desk_that_does_not_answer_leaves_nobody_on_the_way() -> None:
    """What was open may not be so any more: it does not merely disappear, and what was withdrawn stays."""
    desk = Asking()
    desk.gone = [Gone(7, "What stands there?", "stack-n", WHY, TURN_BACK, 400)]
    with serve(LivePage(scenario(), "a test", Clock()), desk=desk, owner=desk.owner) as served:
        viewer = Viewer(served)
        told(viewer, lambda model: "question/1" in model)
        desk.away = True
        model = told(viewer, lambda model: "withdrawn/1" in model)
        assert "nobody knows" in model["withdrawn/1"]["why"]
        assert model["withdrawn/1"]["caution"].startswith("Not known: do not go there")
        viewer.close()
        again = Viewer(served)
        model = told(again, lambda model: "withdrawn/1" in model)
        assert model["withdrawn/7"]["why"] == WHY
        desk.away = False
        told(again, lambda model: "question/1" in model)
        again.close()


# ---------------------------------------------------------------- in a browser
WIDTHS = (1280, 390)


def withdrawn_in(page: Page, yard: AtWork) -> None:
    page.locator("#questions ul li", has_text=FERRY).wait_for()
    wind_up(yard)
    page.locator("#questions li.withdrawn", has_text=FERRY).wait_for()


@pytest.fixture
def yard() -> Iterator[AtWork]:
    with at_work() as found:
        yield found


@needs("chromium")
def test_whoever_is_on_the_way_sees_it(chromium: Browser, yard: AtWork, tmp_path: Path) -> None:
    """It says so in words in its row and in the bar, has nothing to answer with, and goes when it is dismissed."""
    for page in opened(chromium, yard):
        withdrawn_in(page, yard)
        gone = page.locator("#questions li.withdrawn", has_text=FERRY)
        said = gone.inner_text()
        assert TURN_BACK in said
        assert "ferry" in said
        assert f"Why: {WHY}" in said
        assert " ago" in said
        assert gone.locator("form, input").count() == 0
        assert gone.get_by_role("button").all_inner_texts() == ["Dismiss"]
        bar = page.locator("header [role=alert]")
        assert "WITHDRAWN, do not go there: " in bar.inner_text()
        assert "ferry" in bar.inner_text()
        for _ in range(page.locator("#questions li.withdrawn").count()):
            page.locator("#questions li.withdrawn").first.get_by_role("button", name="Dismiss").click()
        assert bar.is_hidden()
        page.reload()
        page.locator("#link.up").wait_for()
        page.locator("#health .card").first.wait_for()
        page.wait_for_timeout(600)  # Two looks of the server at the desk.
        assert page.locator("#questions li.withdrawn").count() == 0
        with page.expect_popup() as popup:  # In another tab somebody else may be on the way.
            page.evaluate("() => { open(location.href, '_blank', 'noopener'); }")
        other = popup.value
        other.locator("#questions li.withdrawn", has_text=FERRY).wait_for()
        other.close()


@needs("chromium")
def test_an_answer_in_an_open_dialog_is_refused_there(chromium: Browser, yard: AtWork) -> None:
    for page in opened(chromium, yard):
        page.locator("#questions ul li", has_text=FERRY).get_by_role("button", name="quay-n").click()
        page.locator("#ask-yes:enabled").wait_for()
        wind_up(yard)
        page.locator("#ask-review.wrong", has_text="Would be refused: WITHDRAWN, do not answer").wait_for()
        assert page.locator("#ask-yes").is_disabled()


@needs("chromium")
@needs("npm")
def test_axe_finds_no_violation_and_it_is_no_wider_than_a_phone(
    chromium: Browser, yard: AtWork, tmp_path: Path
) -> None:
    axe = (installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    for page in opened(chromium, yard):
        withdrawn_in(page, yard)
        page.evaluate(axe)
        for shade in ("light", "dark"):
            for width in WIDTHS:
                page.emulate_media(color_scheme=shade)
                page.set_viewport_size({"width": width, "height": 800})
                assert page.evaluate("document.documentElement.scrollWidth") <= width
                found = page.evaluate("axe.run()")["violations"]
                assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found] == []
                page.locator("#questions").scroll_into_view_if_needed()
                page.screenshot(path=tmp_path / f"{shade}-{width}.png")
