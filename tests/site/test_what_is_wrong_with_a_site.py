"""Every mistake in a site file with all that is told of it: its place, what is wrong, and how to fix it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from protocol.site_file import BadSite, load_site, read_site, scenario_text
from protocol.trouble import Trouble

GOOD = scenario_text()
NORTH, SOUTH = "nodes.north.crane", "nodes.south.crane"


def bent(*changes: tuple[str, str]) -> str:
    text = GOOD
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def problems(text: str) -> list[str]:
    try:
        read_site(text.encode(), "site.toml")
    except BadSite as caught:
        return [str(problem) for problem in caught.problems]
    return []


EXAMPLE = "See 'yardwire site new' for a complete example"
SENSE = [
    (("[nodes.yard]", "[nodes.all]"), ["nodes.all: no node may be called 'all' [LNK-17]. Choose another name"]),
    (('roles = ["supervisor"]', 'roles = ["crane"]'),
     ["nodes.yard: has the role crane but no part [nodes.yard.crane]. Add it, or drop the role"]),
    (('reads = "both"\nwrites = "json"\nqos = 1\nbuffer = 384', ('reads = "both"\n[nodes.ferry.berth]\n'
      'debounce_ms = 3\n'
      "arming_timeout_ms = 3\nend_timeout_ms = 3\nclear_ms = 3\ntolerance = 3\narming_to_end = 3\nend_window = 3")),
     ["nodes.ferry.berth: described, but ferry has no role berth. Add the role, or drop the part"]),
    (('kind = "track"\nnode = "siding"', 'kind = "track"\nnode = "ferry"'),
     [("nodes.siding: a berth needs exactly one place of kind track, this one has 0. "
      'Give one place kind = "track" and node = "siding"'),
      "places.siding.node: 'ferry' is not a node with the role berth. Name the berth of this track"]),
    (('kind = "deck"\nnode = "ferry"', 'kind = "deck"'),
     ["nodes.north.crane.places.ferry.at: 'quay-n' is not a stop of ''. Its stops are: ",
      "nodes.south.crane.places.ferry.at: 'quay-s' is not a stop of ''. Its stops are: ",
      ("nodes.ferry: a shuttle needs exactly one place of kind deck, this one has 0. "
      'Give one place kind = "deck" and node = "ferry"'),
      "places.ferry.node: '' is not a node with the role shuttle. Name the shuttle of this deck"]),
    (("[places.ferry] ", '[places.barge]\nkind = "deck"\nnode = "ferry"\ncolumns = 1\n[places.ferry] '),
     [("nodes.ferry: a shuttle needs exactly one place of kind deck, this one has 2. "
      'Give one place kind = "deck" and node = "ferry"')]),
    (('kind = "stack"\ncolumns = 2', 'kind = "stack"\nnode = "north"\ncolumns = 2'),
     ["places.stack-n.node: a stack has no node. Drop it"]),
    (('name = "y"', 'name = "x"'), [f"{NORTH}.axes: two axes have one name: x, x, z. Rename one"]),
    (("most = 600", "most = 0"),
     [f"{NORTH}.axes.0: least 0 is not below most 0. Exchange them",
      f"{NORTH}.axes.0.park: x = 20 mm is outside 0 to 0. Fix the position or the limits",
      *(f"{NORTH}.places.stack-n.slots.{slot}: x = {x} mm is outside 0 to 0. Fix the position or the limits"
        for slot, x in enumerate((80, 80, 200, 200))),
      f"{NORTH}.places.ferry.slots.0: x = 480 mm is outside 0 to 0. Fix the position or the limits"]),
    (("home = 0\npark = 20", "home = -1\npark = 601"),
     [f"{NORTH}.axes.0.home: x = -1 mm is outside 0 to 600. Fix the position or the limits",
      f"{NORTH}.axes.0.park: x = 601 mm is outside 0 to 600. Fix the position or the limits"]),
    (("travel = 0 ", "travel = 161 "),
     [f"{NORTH}.travel: z = 161 mm is outside 0 to 160. Fix the position or the limits"]),
    (("[nodes.north.crane.places.ferry]", "[nodes.north.crane.places.barge]"),
     [(f"{NORTH}.places.barge: there is no such place. Add [places.barge], or fix the name: "
      "stack-n, stack-s, ferry, siding")]),
    (("[160, 180, 140], [160, 180, 110]", "[160, 180, 140]"),
     [f"{SOUTH}.places.stack-s.slots: 1 positions for 2 slots. Give one for every slot, tiers counted"]),
    (("[160, 180, 140], [160, 180, 110]", "[160, 180], [160, 180, 161]"),
     [f"{SOUTH}.places.stack-s.slots.0: 2 figures for 3 axes. Give one for every axis",
      f"{SOUTH}.places.stack-s.slots.1: z = 161 mm is outside 0 to 160. Fix the position or the limits"]),
    (("[280, 60, 140]", "[600, 60, 140]"),
     [f"{SOUTH}.places.siding.slots.2: x = {600 + shift} mm is outside 0 to 900. Fix the position or the limits"
      for shift in (312, 346)]),
    (("[280, 60, 140]", "[570, 60, 140]"),
     [f"{SOUTH}.places.siding.slots.2: x = 916 mm is outside 0 to 900. Fix the position or the limits"]),
    (("[0, 60, 140]", "[-313, 60, 140]"),
     [f"{SOUTH}.places.siding.slots.0: x = -1 mm is outside 0 to 900. Fix the position or the limits"]),
    (("[280, 60, 140]", "[280, 241, 140]"),
     [f"{SOUTH}.places.siding.slots.2: y = 241 mm is outside 0 to 240. Fix the position or the limits"]),
    (("[128, 315]", "[102, 315]"),
     [(f"{SOUTH}.places.siding.table: readings do not go up from row to row. "
       "Sort the rows; no reading may stand twice")]),
    (("table = [[102", "# table = [[102"),
     [f"{SOUTH}.places.siding.table: a track needs a table of rest readings. Measure at least two readings"]),
    (('at = "quay-n"', 'at = "quay-n"\ntable = [[1, 2], [2, 3]]'),
     [f"{NORTH}.places.ferry.table: a deck has no table of rest readings. Drop it"]),
    (("[nodes.south.crane.places.stack-s]", '[nodes.south.crane.places.stack-s]\nat = "quay-s"'),
     [f"{SOUTH}.places.stack-s.at: only a deck stands 'at' a stop, this is a stack. Drop it"]),
    (('at = "quay-n"', 'at = "quay-x"'),
     [f"{NORTH}.places.ferry.at: 'quay-x' is not a stop of 'ferry'. Its stops are: quay-n, quay-s"]),
]  # fmt: skip


@pytest.mark.parametrize(("change", "told"), SENSE, ids=lambda one: one[0][:40])
def test_what_no_schema_can_say_is_told_whole(change: tuple[str, str], told: list[str]) -> None:
    assert sorted(problems(bent(change))) == sorted(told)


@pytest.mark.parametrize(
    "change",
    [
        ("home = 0\npark = 20", "home = 600\npark = 0"),
        ("travel = 0 ", "travel = 160 "),
        ("[280, 60, 140]", "[554, 0, 160]"),
        ("[0, 60, 140]", "[-312, 240, 0]"),
        ("least = 0\nmost = 600\nhome = 0", "least = -1\nmost = 480\nhome = -1"),
    ],
)
def test_a_limit_itself_is_within_it(change: tuple[str, str]) -> None:
    assert problems(bent(change)) == []


@pytest.mark.parametrize(("columns", "told"), [(32, False), (33, True)])
def test_a_place_has_room_in_a_yard_map(columns: int, told: bool) -> None:
    """MSG-13: a yard-map has 32 slots."""
    place = f'[places.long]\nkind = "stack"\ncolumns = {columns // 2 if columns % 2 == 0 else columns // 3}\ntiers = '
    place += f"{2 if columns % 2 == 0 else 3}\n"
    text = GOOD.replace("[places.siding]", place + "[places.siding]")
    wanted = [f"places.long: {columns} slots; a yard-map has room for 32. Make two places of it"]
    assert problems(text) == wanted * told


@pytest.mark.parametrize(
    ("more_nodes", "more_places", "told"), [(195, 496, ""), (196, 0, "201 nodes and 4 places"),
                                            (0, 497, "5 nodes and 501 places")]
)  # fmt: skip
def test_so_many_nodes_and_places_are_a_site(more_nodes: int, more_places: int, told: str) -> None:
    text = GOOD + "".join(f'\n[nodes.n{number}]\nroles = ["supervisor"]' for number in range(more_nodes))
    text += "".join(f'\n[places.p{number}]\nkind = "stack"\ncolumns = 1' for number in range(more_places))
    fix = "A site has at most 200 nodes and 500 places; divide it into several"
    assert problems(text) == ([f"the file: {told}. {fix}"] if told else [])


SHAPE = [
    (("protocol = 1", ""), ["the file: protocol missing. Add what is missing"]),
    (('kind = "stack"\ncolumns = 2', ""), ["places.stack-n: columns and kind missing. Add what is missing"]),
    (("protocol = 1", "protocol = 2"), ["protocol: expected 1, got 2. It is: major version of the protocol"]),
    (('kind = "deck"', 'kind = "shed"'),
     ['places.ferry.kind: expected "stack", "track" or "deck", got "shed". It is: what the place is']),
    (("qos = 1", "qos = true"),
     ["nodes.north.qos: expected 0 or 1, got true. It is: quality of service that it publishes with"]),
    (("columns = 3", 'columns = "3"'),
     ['places.siding.columns: expected an integer, got "3". It is: boxes side by side']),
    (("columns = 3", "columns = [3]"),
     ["places.siding.columns: expected an integer, got a list. It is: boxes side by side"]),
    (("columns = 3", "columns = {}"),
     ["places.siding.columns: expected an integer, got a table. It is: boxes side by side"]),
    (("columns = 3", "columns = 0"),
     ["places.siding.columns: expected 1 to 32, got 0. It is: boxes side by side"]),
    (("columns = 3", "columns = 33"),
     ["places.siding.columns: expected 1 to 32, got 33. It is: boxes side by side",
      ]),
    (("columns = 3", "columns = 1.5"),
     ["places.siding.columns: 1.5 has a decimal point. Use a smaller unit and a whole number",
      "places.siding.columns: expected an integer, got 1.5. It is: boxes side by side"]),
    (("load_sensor = true", "load_sensor = 1"),
     [f"{NORTH}.load_sensor: expected true or false, got 1. It is: whether the spreader feels a box"]),
    (('unit = "mm"', "unit = 5"), [(f"{NORTH}.axes.0.unit: expected a string, got 5. "
                                  "It is: unit of all its positions, such as mm or step; "
                                  "it is shown and never computed with")]),
    (('roles = ["supervisor"]', 'roles = "supervisor"'),
     [('nodes.yard.roles: expected a list, got "supervisor". '
      "It is: what the node is; one part of this name for each but the supervisor")]),
    (("columns = 3", "columns = 3\ncolums = 3"),
     ['places.siding: unknown key "colums". Did you mean "columns"?']),
    (("columns = 3", "columns = 3\nhue = 3"),
     ['places.siding: unknown key "hue". Known keys: kind, node, columns, tiers, catches']),
    (("columns = 3", "columns = 3\ncolums = 3\nb = 1"),
     ['places.siding: unknown key "b" and "colums". Known keys: kind, node, columns, tiers, catches']),
    (("columns = 3", "columns = 3\n" + "\n".join(f"a{n} = 1" for n in range(5))),
     [('places.siding: unknown key "a0" and "a1" and "a2" and "a3" and "a4". '
      "Known keys: kind, node, columns, tiers, catches")]),
    (("columns = 3", "columns = 3\n" + "\n".join(f"a{n} = 1" for n in range(7))),
     [('places.siding: unknown key "a0" and "a1" and "a2" and "a3" and "a4" and 2 more. '
      "Known keys: kind, node, columns, tiers, catches")]),
    (('site = "harlow-basin"', 'site = "harlow basin"'),
     ['site: "harlow basin" has a character that no name may have. Use A-Z a-z 0-9 and \'-\'']),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "told"), SHAPE, ids=lambda one: one[1][:40] if isinstance(one, tuple) else ""
)
def test_what_has_another_shape_is_told_whole(change: tuple[str, str], told: list[str]) -> None:
    assert problems(bent(change)) == told


@pytest.mark.parametrize(("length", "shown"), [(60, "x" * 60), (61, "x" * 60 + "...")])
def test_a_long_value_is_cut(length: int, shown: str) -> None:
    text = bent(('kind = "deck"', f'kind = "{"x" * length}"'))
    wanted = (
        f'places.ferry.kind: expected "stack", "track" or "deck", got "{shown}". It is: what the place is'
    )
    assert problems(text) == [wanted]


def test_what_a_file_says_cannot_write_on_the_terminal() -> None:
    text = bent(("columns = 3", 'columns = "\\u001b[2J"\n"\\u001b[31m" = 1'))
    assert problems(text) == [
        'places.siding: unknown key "\\u001b[31m". Known keys: kind, node, columns, tiers, catches',
        'places.siding.columns: expected an integer, got "\\u001b[2J". It is: boxes side by side',
    ]


def test_so_many_mistakes_are_looked_for() -> None:
    """Behind the first few, most come from those before."""
    for number in (99, 101, 300):
        text = GOOD + "".join(f'\n[places.p{at}]\nkind = "stack"\ncolumns = 0' for at in range(number))
        assert len(problems(text)) == min(number, 100)
        loose = GOOD + "".join(
            f'\n[places.p{at}]\nkind = "stack"\nnode = "x"\ncolumns = 1' for at in range(number)
        )
        assert len(problems(loose)) == min(number, 100)


def test_the_number_of_mistakes_is_told() -> None:
    for text, said in (
        (
            bent(("columns = 3", "columns = 0")),
            "site.toml: one mistake in the site file:\n  places.siding.columns: ",
        ),
        (
            bent(("columns = 3", "columns = 0"), ("qos = 1", "qos = 2")),
            "site.toml: 2 mistakes in the site file:\n  no",
        ),
    ):
        with pytest.raises(BadSite, match="^" + re.escape(said)):
            read_site(text.encode(), "site.toml")


def test_a_file_is_read_no_further_than_its_bound(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    most = 256 * 1024
    for size, good in ((most, True), (most + 1, False), (most + 5000, False)):
        path.write_text(GOOD + "#" * (size - len(GOOD.encode())))
        if good:
            assert load_site(path).name == load_site(str(path)).name == "harlow-basin"
        else:
            with pytest.raises(BadSite, match=f"{most + 1:,} bytes, and a file may have {most:,}") as told:
                load_site(path)
            assert told.value.where == str(path)


def test_a_file_that_cannot_be_read_says_how_to_get_one(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    with pytest.raises(Trouble) as told:
        load_site(path)
    assert (told.value.where, told.value.exit_code) == (str(path), 2)
    assert told.value.what == "cannot read the site file: No such file or directory"
    assert told.value.fix == "Name another with --site, or write a starter with 'yardwire site new none.toml'"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a = = 3", "line 1, column 5: Invalid value. See https://toml.io for the syntax"),
        ("a = " + "1" * 4000, "a: a number of more than 64 bits. Write 64 bits at most"),
        ("a = " + "9" * 4301, "byte 4: a number of more digits than a number may have. Write 64 bits at most"),
        ("a = " + "[" * 17 + "]" * 17, ("a.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0: nested deeper than 16 tables and arrays. "
                            "See 'yardwire site new' for how deep a file is")),
    ],
    ids=["syntax", "long", "longer", "deep"],
)  # fmt: skip
def test_what_is_no_toml_is_told_with_its_place(text: str, told: str) -> None:
    assert problems(text) == [told]
