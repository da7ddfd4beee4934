"""Pages of reports in a browser: verdict and failures first, what is linked is there, and axe finds nothing."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from conformance.commands import main
from conformance.reports import as_html
from conformance.reports.document import document
from protocol.specification import specification
from tests.faulty_nodes.every import FAULTY
from tests.needs import needs
from tests.publish.npm import installed

if TYPE_CHECKING:
    from playwright.sync_api import Browser

RECORDINGS = Path(__file__).parents[2] / "examples" / "recordings"
PHONE, WIDE = {"width": 390, "height": 844}, {"width": 1280, "height": 900}


@pytest.fixture(scope="module")
def report() -> str:
    """The page of a run over a node that answers what comes to all."""
    run = FAULTY["AnswersWhoAsksAll"].run()
    run.perform()
    return as_html.render(document(run, seed=1))


def test_the_verdict_and_the_failures_come_first(report: str) -> None:
    body = report[report.index("<body>") :]
    assert body.index("Verdict:") < body.index('aria-label="Contents"') < body.index('id="failed"')
    assert body.index('id="failed"') < body.index('id="chapter-1"') < body.index('id="requirements"')
    card = body[body.index('id="case-hold-alone-for-all"') :].partition("</article>")[0]
    for words in ("HLD-07", "expected", "seen", '<table class="talk">'):
        assert words in card, f"{words} stands outside the card of its case"


def test_every_link_of_the_report_leads_to_its_requirement_or_case(report: str) -> None:
    anchors = set(re.findall(r'\sid="([^"]+)"', report))
    targets = set(re.findall(r'href="#([^"]+)"', report))
    assert targets <= anchors
    rules = specification().requirements
    linked = {target for target in targets if target in rules}
    assert len(linked) > 50
    assert all(rules[id_].says.partition("'")[0] in report for id_ in ("HLD-07", "ORD-06"))


def test_figures_have_axes_with_words(tmp_path: Path) -> None:
    page = tmp_path / "figures.html"
    assert main.run(["show", str(RECORDINGS / "good-1.ywrec"), "--stats", "--html", str(page)]) == 0
    text = page.read_text("utf-8")
    plots = text.count("<svg viewBox")
    assert plots > 1
    assert text.count('class="axis" d="M0 0V') == plots
    assert text.count('class="what"') == 2 * plots


def test_a_story_has_contents_and_ways_back(tmp_path: Path) -> None:
    page = tmp_path / "story.html"
    assert main.run(["show", str(RECORDINGS / "good-1.ywrec"), "--html", str(page)]) == 0
    text = page.read_text("utf-8")
    contents = text[text.index('aria-label="Contents"') :].partition("</nav>")[0]
    headings = re.findall(r'<h2 id="(\w+)">', text)
    assert re.findall(r'href="#(\w+)"', contents) == headings
    assert text.count('href="#top"') == len(headings) - 1


@needs("npm")
@needs("chromium")
@pytest.mark.parametrize(("shade", "viewport"), [("light", WIDE), ("dark", PHONE)], ids=["wide", "phone"])
def test_axe_finds_no_violation(
    chromium: Browser, report: str, tmp_path: Path, shade: Any, viewport: Any
) -> None:
    """By axe-core (npm), all its rules, contrast included."""
    axe = (installed() / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    (tmp_path / "report.html").write_text(report, encoding="utf-8")
    good, bad = (str(RECORDINGS / name) for name in ("good-1.ywrec", "missed-pick.ywrec"))
    for arguments in (["show", good, "--html", "story.html"], ["show", good, "--stats", "--html", "figures.html"],
                      ["diff", good, bad, "--html", "diff.html"]):  # fmt: skip
        assert main.run([*arguments[:-1], str(tmp_path / arguments[-1])]) in (0, 1)
    wrong = []
    for page in sorted(tmp_path.glob("*.html")):
        tab = chromium.new_page(color_scheme=shade, viewport=viewport)
        tab.goto(page.as_uri())
        if tab.evaluate("document.documentElement.scrollWidth") > viewport["width"]:
            wrong.append((page.name, "wider than its screen", ""))
        tab.evaluate(axe)
        found = tab.evaluate("axe.run()")["violations"]
        wrong += [(page.name, one["id"], one["nodes"][0]["html"][:200]) for one in found]
        tab.close()
    assert wrong == []
