"""`yardwire site part`: a node alone has what it needs, its digest, and nothing of the rest of the yard."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from conformance.commands import main
from protocol.site_file import parts_of, read_site, scenario, scenario_text

WHOLE = scenario()


def part(node: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    site = tmp_path / "site.toml"
    site.write_text(scenario_text(), "utf-8")
    assert main.run(["site", "part", node, str(site)]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize(
    ("node", "nodes", "places"),
    [
        ("siding", {"siding", "yard"}, {"siding"}),
        ("ferry", {"ferry", "yard"}, {"ferry"}),
        ("north", {"north", "ferry", "yard"}, {"stack-n", "ferry"}),
        ("south", {"south", "ferry", "siding", "yard"}, {"stack-s", "ferry", "siding"}),
    ],
)
def test_a_part_has_what_the_node_needs_and_the_digests_of_the_whole(
    node: str, nodes: set[str], places: set[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = part(node, tmp_path, capsys)
    found = read_site(text.encode(), "part")
    assert (set(found.nodes), set(found.places)) == (nodes, places)
    assert all(one.digest == WHOLE.nodes[name].digest for name, one in found.nodes.items())
    kept = parts_of(scenario_text().encode())
    assert tomllib.loads(text)["nodes"] == {name: kept[name] for name in kept if name in nodes}


def test_only_comments_that_surely_are_of_what_stayed_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = part("siding", tmp_path, capsys)
    assert "# harlow-basin: an invented" in text
    assert "# 0.1 mm" in text
    assert "crane north" not in text


def test_a_name_that_is_none_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "site.toml").write_text(scenario_text(), "utf-8")
    assert main.run(["site", "part", "west", str(tmp_path / "site.toml")]) == 2
    assert "there is no node 'west'" in (told := capsys.readouterr().err)
    assert "north, south, siding, ferry, yard" in told
    assert main.run(["site", "part", "west", str(tmp_path / "none.toml")]) == 2
    assert "cannot read the site file" in capsys.readouterr().err


def test_where_no_crane_is_none_is_said_to_home(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for node, said in (("siding", "Real machines will move as you order."), ("north", "cranes (north) home")):
        alone = tmp_path / f"{node}.toml"
        alone.write_text(part(node, tmp_path, capsys), "utf-8")
        assert main.run(["supervise", "--site", str(alone), "--broker", "mqtt://127.0.0.1:1"]) == 2
        assert said in " ".join(capsys.readouterr().err.split())
