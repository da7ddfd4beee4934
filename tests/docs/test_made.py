"""Documents that are made are as their sources are, and what they promise is what the nodes and the kit do."""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import MISSING, fields
from typing import Any

import pytest

from conformance.publish.site import sources
from conformance.publish.site.made.bench_play import JOBS
from conformance.publish.site.made.documents import documents
from conformance.publish.site.made.site_fields import PARTS, merged
from conformance.suite.brief import brief_for, route_of
from conformance.suite.verdict import Verdict
from protocol.fault_rule import FOUND, RESET_WITH_POWER
from protocol.site import Axis, BerthSite, CraneSite, NodeSite, Place, ShuttleSite
from protocol.site_file import digest_text, node_digest, parts_of, scenario, scenario_text
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.controller.stimulus_player import StimulusPlayer
from reference_node.scenario.scenario_file import read_scenario
from tests.faulty_nodes.faulty import judge, with_sensors
from tests.reference_node.yard import Yard, answers

SPEC = specification()
NODE_OF = {"crane": "north", "berth": "siding", "shuttle": "ferry"}


def page(name: str) -> str:
    return (sources.home() / name).read_text("utf-8")


@pytest.mark.parametrize("name", documents())
def test_a_document_is_as_its_sources_are(name: str) -> None:
    """`python -m conformance.publish.site.made` writes it."""
    assert page(name) == documents()[name]


# ---------------------------------------------------------------- faults
def test_every_fault_has_its_row() -> None:
    assert tuple(SPEC.faults) == SPEC.words("fault_code")
    rows = re.findall(r"^\| `([a-z-]+)` \| (warn|halt) \|", page("docs/protocol/faults.md"), re.MULTILINE)
    assert dict(rows) == {code: SPEC.fault_level(code) for code in SPEC.words("fault_code")}


def raised(code: str, role: str) -> tuple[Yard, str, Controller]:
    """A node on the bench with that fault, which comes as such a fault comes in the node."""
    name = NODE_OF[role]
    yard = Yard(name, site=with_sensors(scenario(), load_sensor=code != "load-unsure"), bench=True)
    controller = yard.nodes[name]
    if code == "power-lost":
        yard.order(name, "stimulus", inputs=[["motor-power", False, 0]])
    elif SPEC.fault_level(code) == "halt":
        controller.halt(controller.roles[role], code)
    elif code != "load-unsure":
        controller.warn(code)
    yard.run(500)
    assert code in controller.register.active
    return yard, name, controller


@pytest.mark.parametrize("code", SPEC.faults)
def test_a_fault_ends_as_its_row_says(code: str) -> None:
    """Each on a reference node, of every role whose fault it is."""
    rule = SPEC.faults[code]
    for role in rule.roles:
        yard, name, controller = raised(code, role)
        count = controller.register.count
        assert answers(yard.order(name, "reset-fault", faults=count))[0][2] == "done"
        ended = code not in yard.state(name, "fault")["active"]
        assert ended is (rule.ends not in (RESET_WITH_POWER, FOUND)), f"{code} of a {role}"
        if rule.ends == FOUND:
            yard.order(name, "reset-fault", faults=count, found="none")
        elif rule.ends == RESET_WITH_POWER:
            yard.order(name, "stimulus", inputs=[["motor-power", True, 0]])
            yard.run(100)
            yard.order(name, "reset-fault", faults=count)
        assert code not in yard.state(name, "fault")["active"]
        assert yard.state(name, "fault")["faults"] == count
        assert yard.starts(name) == 0


# ---------------------------------------------------------------- in time
def test_no_in_time_is_without_its_number() -> None:
    text = page("docs/protocol/in-time.md")
    for rule in SPEC.requirements.values():
        if re.search(r"\bin time\b", rule.says):
            assert f"| `{rule.id}`" in text, rule.id
    for code, meaning in SPEC.common["$defs"]["fault_code"]["meanings"].items():
        if "in time" in meaning:
            assert SPEC.faults[code].within, code
            assert re.search(rf"`{code}` \| `\w+\.\w+` from .* \| \d+ ms \|", text), code
    for one in SPEC.faults.values():
        if one.within:
            part, _, field = one.within.partition(".")
            assert field in SPEC.site_schema["$defs"][part]["properties"]


def test_a_count_is_told_as_one() -> None:
    assert str(SPEC.limits["depth"]) == "4 levels"
    assert str(SPEC.limits["client_id"]) == "8 characters"
    assert not [rule.id for rule in SPEC.requirements.values() if "deeper than 4 bytes" in rule.says]


# ---------------------------------------------------------------- the site file
def test_every_field_of_the_site_file_says_what_it_is() -> None:
    schema = SPEC.site_schema
    assert {name for name, _, _ in PARTS} == {"", *schema["$defs"]} - {"position", "milliseconds"}
    for name, _, _ in PARTS:
        part = schema["$defs"][name] if name else schema
        for field, row in part["properties"].items():
            whole = merged(SPEC, row)
            assert whole.get("description"), f"{name}.{field}"
            told = field in part["required"] or "default" in whole or "absent" in whole
            assert told, f"{name}.{field} may be left out, and nothing says what follows"


def test_defaults_are_those_that_the_kit_takes() -> None:
    made: dict[str, Any] = {
        "place": Place, "node": NodeSite, "crane": CraneSite, "berth": BerthSite, "shuttle": ShuttleSite, "axis": Axis,
    }  # fmt: skip
    for name, kind in made.items():
        taken = {one.name: one.default for one in fields(kind) if one.default is not MISSING}
        for field, row in SPEC.site_schema["$defs"][name]["properties"].items():
            if "default" in row:
                assert getattr(taken[field], "value", taken[field]) == row["default"], f"{name}.{field}"


# ---------------------------------------------------------------- digests
def test_the_worked_example_of_a_digest_is_right() -> None:
    """From the text on the page by zlib alone, as anybody would do it in another language."""
    text = page("docs/protocol/site-fields.md")
    example = re.search(r"```text\n(\{.*\})\n```", text)
    told = re.search(r"Its CRC-32 is \*\*(\d+)\*\*", text)
    assert example
    assert told
    assert zlib.crc32(example[1].encode("ascii")) == int(told[1]) == scenario().nodes["ferry"].digest
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert json.loads(example[1]) == parts_of(scenario_text().encode())["ferry"]


def test_a_digest_is_of_what_stands_in_the_file() -> None:
    part = dict(parts_of(scenario_text().encode())["ferry"])
    assert node_digest(part | {"keep_alive_s": 10}) != node_digest(part), "a default that is written counts"
    assert node_digest(dict(reversed(part.items()))) == node_digest(part)
    assert digest_text({"a": True, "b": "é"}) == '{"a":true,"b":"\\u00e9"}'


def test_the_digest_of_the_first_board_is_that_of_its_part() -> None:
    told = re.search(r'"digest":(\d+)', page("docs/guides/first-board.md"))
    part = dict(parts_of(scenario_text().encode())["siding"])
    assert told
    assert int(told[1]) == node_digest(part | {"reads": "json", "writes": "json", "buffer": 512})


# ---------------------------------------------------------------- the first board's checks
def test_the_checks_of_the_first_board_are_those_of_the_table() -> None:
    """Each check once, in the order of the table, and with its reason where it refuses."""
    text = page("docs/guides/first-board.md")
    block = next(part for part in re.findall(r"```c\n(.*?)```", text, re.DOTALL) if "raise-mark" in part)
    lines = [line for line in block.splitlines() if "/*" in line]
    found = [re.search(r"/\* ([a-z_-]+)", line) for line in lines]
    assert [one[1] for one in found if one] == [check.name for check in SPEC.order_checks]
    for check, line in zip(SPEC.order_checks, lines, strict=True):
        reason = re.search(r"refuse\((\w+)\)", line)
        assert (reason[1].lower().replace("_", "-") if reason else "") == check.reason, line


# ---------------------------------------------------------------- the bench
class Watched(StimulusPlayer):
    """Counts what waits."""

    most = beside = 0

    def add(self, inputs: Any, now_ms: int) -> None:
        Watched.beside += self.next_us is not None
        super().add(inputs, now_ms)
        Watched.most = max(Watched.most, len(self._coming))


class WatchedController(Controller):
    player_class = Watched


def test_stimuli_come_beside_each_other_and_ten_entries_at_once_at_most() -> None:
    """As the page says: a board that replaces or queues them would fail, and so would one with room for fewer."""
    assert "at most ten entries wait at once" in page("docs/protocol/bench.md")
    results = judge("north", controller=WatchedController)
    assert not [one for one in results.values() if one.verdict is Verdict.FAIL]
    assert Watched.beside > 0
    assert 6 <= Watched.most <= 10


def test_done_of_a_stimulus_means_taken_and_a_level_that_is_there_is_no_edge() -> None:
    yard = Yard("siding", bench=True)
    yard.order("siding", "reset-fault", faults=0, found="none")
    yard.run(4000)
    told = yard.order("siding", "stimulus", inputs=[["end", False, 0], ["end", True, 5000]])
    assert answers(told)[0][2] == "done", "at once, not when all is played"
    yard.run(4000)
    assert yard.state("siding", "train-arrival")["state"] == "empty", "open is what it was: no edge"
    yard.run(2000)
    assert yard.state("siding", "train-arrival")["state"] == "lost", "pushed"


def test_every_job_of_every_role_is_told() -> None:
    moving = {act for act, schema in SPEC.acts.items() if schema["job"]}
    assert {act for jobs in JOBS.values() for act in jobs} == moving
    for role, jobs in JOBS.items():
        assert set(jobs) <= set(SPEC.acts_of(role))


# ---------------------------------------------------------------- supervisors
def test_the_example_of_a_brief_is_what_a_program_gets() -> None:
    text = page("docs/guides/prove-a-supervisor.md")
    example = re.search(r"```text\n(\{.*?\n\})\n```", text, re.DOTALL)
    site = scenario()
    route = route_of(site)
    assert example
    assert route
    document = brief_for(site, route).document()
    assert json.loads(example[1]) == document
    assert re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE) == list(document)


@pytest.mark.parametrize("number", range(2))
def test_scenarios_of_the_page_are_scenarios(number: int) -> None:
    blocks = re.findall(r"```toml\n(scenario = .*?)```", page("docs/supervising.md"), re.DOTALL)
    story = read_scenario(blocks[number].encode(), "docs/supervising.md", scenario())
    assert bool(story.answers) is (number == 1)


# ---------------------------------------------------------------- a hold to all
def test_a_hold_to_all_is_read_by_all_only_where_encodings_agree() -> None:
    assert scenario().read_by_all() == ()
    alone = scenario_text().replace('reads = "json"', 'reads = "cbor"')
    from protocol.site_file import read_site

    assert [one.value for one in read_site(alone.encode(), "x").read_by_all()] == ["cbor"]
    assert "no hold to `all` is read by every node" in page("docs/protocol/overview.md")
