"""What the demo leaves: its files, what is said of them at its end, and the exit code."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options import json_output
from conformance.files.whole_file import write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.commands.demo.yard import DemoYard
    from conformance.tester.runner import Run
    from protocol.site import Site

OWN_FILES = ("site.toml", "cycle.ywrec", "conformance.json", "story.html")


@dataclass(frozen=True, slots=True)
class Folder:
    """Where the demo puts what it made."""

    path: Path

    @property
    def site(self) -> Path:
        """The site file of harlow-basin."""
        return self.path / OWN_FILES[0]

    @property
    def recording(self) -> Path:
        """All that was said on the bus."""
        return self.path / OWN_FILES[1]

    @property
    def report(self) -> Path:
        """The verdicts, for programs."""
        return self.path / OWN_FILES[2]

    @property
    def page(self) -> Path:
        """What happened, for people."""
        return self.path / OWN_FILES[3]


def tell(folder: Folder, site: Site, yard: DemoYard, run: Run, on_the_bench: str, *, as_json: bool) -> int:
    """Write report and page, say what came of it, and give the exit code.

    Where JSON has standard output for itself, what people read goes to standard error. Raises Trouble.
    """
    from conformance.recordings.show.story_page import story_page
    from conformance.reports import as_text
    from conformance.reports.document import document
    from conformance.suite.verdict import Verdict

    report = document(run, seed=0)
    write(folder.report, json.dumps(report, indent=1, ensure_ascii=False) + "\n")
    story = _story(folder.recording)
    write(folder.page, story_page(story, on_the_bench, _judged_cases(run)))
    wrong = _not_as_shown(yard, story)
    lines = [
        "", _table(run), as_text.render(report), "", *(f"not as it has to be: {what}" for what in wrong),
        f"{len(story.lines)} messages recorded, {len(story.invalid)} of them not valid",
        f"  what was said   {folder.recording}",
        f"  what happened   {folder.page}   (open it in a browser)",
        f"  the verdicts    {folder.report}",
        f"  the site file   {folder.site}",
    ]  # fmt: skip
    for line in lines:
        click.echo(line, err=as_json)
    if run.verdict is Verdict.ERROR:
        raise Trouble("a case ended with an internal error", fix="Report it with what stands above")
    code = 0 if not wrong and run.verdict is Verdict.PASS else 1
    if as_json:
        findings = [json_output.finding(what, where=site.name) for what in wrong]
        findings += [
            json_output.finding(case["reason"], where=f"{on_the_bench}, case {case['id']}", case=case["id"])
            for case in report["cases"]
            if case["verdict"] in ("fail", "inconclusive") and case["reason"]
        ]
        json_output.tell(
            _document(folder, yard, story, report), exit_code=code, verdict=json_output.judged(code),
            findings=findings if code else (), notes=report["notes"],
        )  # fmt: skip
    return code


def _document(folder: Folder, yard: DemoYard, story: Any, report: dict[str, Any]) -> dict[str, Any]:
    files = {
        "recording": folder.recording, "page": folder.page, "report": folder.report, "site": folder.site,
    }  # fmt: skip
    return {
        "files": {name: str(path) for name, path in files.items()},
        "messages": len(story.lines),
        "invalid": len(story.invalid),
        "jobs": dict(Counter(str(sent.state) for _, _, sent in yard.supervisor.history)),
        "conformance": {name: report[name] for name in ("node", "roles", "verdict", "counts")},
    }


def _not_as_shown(yard: DemoYard, story: Any) -> list[str]:
    """What did not come out as the demo is there to show: nothing recorded or done is nothing shown."""
    from conformance.commands.demo.yard import BERTH, BOX

    jobs = [sent for _, _, sent in yard.supervisor.history]
    wrong = [f"{words(sent.body)}: {sent.state}" for sent in jobs if sent.state != "done"]
    wrong += yard.world.accidents
    on_train = [box for (place, _), box in yard.world.boxes.items() if place == BERTH]
    if BOX not in yard.supervisor.inventory.gone or BOX not in (*on_train, *yard.world.gone):
        wrong.append(f"box {BOX} was not seen to leave with the train")
    if yard.recorder.trouble:
        wrong.append(f"the recording is not whole: {yard.recorder.trouble}")
    if not story.lines:
        wrong.append("nothing was recorded")
    if story.invalid:
        wrong.append(f"{len(story.invalid)} messages are not valid")
    return wrong


def _story(path: Path) -> Any:
    from conformance.recordings.show.story import tell
    from protocol.recording import RecordingReader

    with path.open("rb") as file:
        reader = RecordingReader(file)
        return tell(reader.header, reader)


def _judged_cases(run: Run) -> list[Any]:
    from conformance.recordings.show.story_page import JudgedCase
    from conformance.suite.verdict import Verdict

    return [
        JudgedCase(
            result.case.id,
            result.case.chapter,
            result.verdict.word,
            result.case.requirements,
            result.case.summary,
            result.reason,
        )
        for result in run.results.values()
        if result.verdict is not Verdict.NONE
    ]


def _table(run: Run) -> str:
    """Verdicts by chapter, one line each."""
    from conformance.suite.verdict import Verdict

    words = [verdict.word for verdict in (Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.ERROR)]
    rows: dict[str, Counter[str]] = {}
    for result in run.results.values():
        if result.verdict is not Verdict.NONE:
            rows.setdefault(result.case.chapter, Counter())[result.verdict.word] += 1
    lines = [f"{'chapter':<12}" + "".join(f"{word:>14}" for word in words)]
    lines += [
        f"{chapter:<12}" + "".join(f"{count[word] or '-':>14}" for word in words)
        for chapter, count in sorted(rows.items())
    ]
    return "\n".join(lines)


def words(order: Any) -> str:
    """An order, as a person says it."""
    from conformance.recordings.wording import in_words

    return in_words("job-order", order).rpartition(" ")[0]


def made_folder(path: Path, site_text: str) -> Folder:
    """The output folder with the site file in it. Raises Trouble where it cannot be written to."""
    folder = Folder(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
        strange = [file.name for file in path.iterdir() if file.name not in OWN_FILES]
        if strange:
            raise Trouble(
                f"the folder holds other things ({', '.join(sorted(strange)[:3])})",
                where=str(path),
                fix="Name an empty or a new one with --out",
            )
    except OSError as error:
        raise Trouble(
            f"cannot use this folder: {error.strerror}", where=str(path), fix="Name another with --out"
        ) from error
    write(folder.site, site_text)
    return folder
