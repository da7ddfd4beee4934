"""The site file: the one that comes with the kit is right, and every mistake is told with its place."""

from __future__ import annotations

import binascii
from pathlib import Path

import pytest

from protocol.site import PlaceKind
from protocol.site_file import BadSite, load_site, node_digest, read_site, scenario, scenario_text
from protocol.trouble import Trouble

GOOD = scenario_text()


def problems(text: str) -> list[str]:
    with pytest.raises(BadSite) as caught:
        read_site(text.encode(), "site.toml")
    return [str(problem) for problem in caught.value.problems]


def test_the_scenario_is_a_good_site() -> None:
    site = scenario()
    assert site.name == "harlow-basin"
    assert site.cranes_reaching("ferry") == ("north", "south")
    assert site.places["siding"].kind is PlaceKind.TRACK
    assert [node.name for node in site.with_role("crane")] == ["north", "south"]


def test_slots_of_a_place_stack_up() -> None:
    stack = scenario().places["stack-n"]
    assert stack.slots == 4
    assert [stack.below(slot) for slot in range(4)] == [None, 0, None, 2]
    assert [stack.above(slot) for slot in range(4)] == [1, None, 3, None]


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        ('site = "harlow-basin"', 'site = "harlow basin"', "site", "has a character that no name may have"),
        ('site = "harlow-basin"', 'site = "harlow-basin-yard"', "site", "too long"),
        ("protocol = 1", "protocol = 2", "protocol", "expected 1, got 2"),
        ("columns = 3", 'columns = "3"', "places.siding.columns", 'expected an integer, got "3"'),
        ("columns = 3", "columns = 3.0", "places.siding.columns", "3.0 has a decimal point"),
        ("columns = 3", "colums = 3", "places.siding", 'unknown key "colums". Did you mean "columns"?'),
        ("[nodes.yard]", "[nodes.all]", "nodes.all", "no node may be called 'all' [LNK-17]"),
        ('roles = ["berth"]', 'roles = ["shuttle"]', "nodes.siding", "has the role shuttle but no part"),
        ('node = "ferry"', 'node = "north"', "places.ferry.node", "not a node with the role shuttle"),
        ('at = "quay-n"', 'at = "quay-x"', "nodes.north.crane.places.ferry.at", "is not a stop of 'ferry'"),
        ("[128, 315]", "[102, 315]", "nodes.south.crane.places.siding.table", "do not go up"),
        ("[[480, 180, 130]]", "[[480, 180]]", "nodes.north.crane.places.ferry.slots.0", "2 figures"),
        ("[[480, 180, 130]]", "[[680, 180, 130]]", "nodes.north.crane.places.ferry.slots.0", "680 mm is"),
        ("[280, 60, 140]", "[680, 60, 140]", "nodes.south.crane.places.siding.slots.2", "outside 0 to 900"),
        (", [200, 40, 110]]", "]", "nodes.north.crane.places.stack-n.slots", "3 positions for 4 slots"),
        ("park = 20", "park = 2000", "nodes.north.crane.axes.0.park", "x = 2000 mm is outside 0 to 600"),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_place(old: str, new: str, where: str, what: str) -> None:
    assert old in GOOD
    found = problems(GOOD.replace(old, new, 1))
    assert any(row.startswith(f"{where}: ") and what in row for row in found), found


def test_all_mistakes_are_told_not_only_the_first() -> None:
    text = (
        GOOD.replace("columns = 3", 'columns = "3"')
        .replace("qos = 1", "qos = 2")
        .replace("speed = 250", "sped = 250")
    )
    assert len(problems(text)) >= 4


def test_bad_syntax_is_told_with_its_line() -> None:
    assert problems('site = "a"\nnodes = = 3\n')[0].startswith("line 2, column 9: ")
    assert problems('site = "a"\nnodes = [')[0].startswith("end of document: ")
    assert problems('site = "\x00"')


def test_bytes_that_are_no_text() -> None:
    with pytest.raises(BadSite, match="byte 8: not UTF-8"):
        read_site(b'site = "\xff"', "site.toml")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="cannot read the site file"):
        load_site(tmp_path / "none.toml")


def test_the_digest_is_a_plain_crc_32() -> None:
    # CRC-32 check value of '123456789': CBF43926 (ISO 3309, as in zlib).
    assert binascii.crc32(b"123456789") == 0xCBF43926
    assert node_digest({"b": [1, True], "a": "x"}) == binascii.crc32(b'{"a":"x","b":[1,true]}')


def test_the_digest_follows_the_figures_and_not_the_comments() -> None:
    plain = scenario().nodes["north"].digest
    commented = read_site(GOOD.replace("load_sensor = true", "load_sensor = true # felt", 1).encode(), "s")
    changed = read_site(GOOD.replace("[480, 180, 130]", "[481, 180, 130]", 1).encode(), "s")
    assert commented.nodes["north"].digest == plain
    assert changed.nodes["north"].digest != plain
