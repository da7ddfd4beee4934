from __future__ import annotations

import io
import json
import sys
import threading
from pathlib import Path

import pytest
from paho.mqtt import publish

from conformance.bench.brokers.broker import start_broker
from conformance.bench.tap.tap import Tap
from conformance.commands import main
from protocol.codec import encode
from protocol.recording import Header, RecordedMessage, RecordingWriter
from protocol.site import Encoding
from tests.protocol.make_vectors import FOLDER

ASK = {"act": "ask", "token": 1}
TOPIC = "yw1/harlow-basin/north/job-order"
OFF = b'{"boot":1,"link":1,"state":"off"}'


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    return Run(capfd, monkeypatch)


class Run:
    """Runs `yardwire validate` and keeps what it printed."""

    def __init__(self, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self._capfd, self._monkeypatch = capfd, monkeypatch
        self.out = self.err = ""

    def __call__(self, *arguments: str | Path, stdin: bytes = b"") -> int:
        self._monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin)))
        code = main.run(["validate", *map(str, arguments)])
        self.out, self.err = self._capfd.readouterr()
        assert "Traceback" not in self.err
        return code


def test_a_folder_of_vectors_is_as_it_says(run: Run) -> None:
    assert run(FOLDER) == 0
    assert run.out.endswith(" messages checked: all right\n")


def test_exchanges_are_no_messages(run: Run) -> None:
    assert run(FOLDER / "exchanges" / "berth.json") == 2
    assert "exchanges" in run.err


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"valid": True, "requirement": None}, "says that it is valid"),
        ({"requirement": "ENC-07"}, "breaks ENC-07, but that was not found"),
        ({"hex": encode("job-order", ASK, Encoding.JSON).hex()}, "nothing was found"),
    ],
)
def test_a_vector_that_is_not_as_it_says(
    change: dict[str, object], told: str, tmp_path: Path, run: Run
) -> None:
    vector = {"name": "x", "message": "job-order", "valid": False, "requirement": "ENC-06", "hex": "a0"}
    (tmp_path / "v.json").write_text(json.dumps([vector]))
    assert run(tmp_path) == 0
    (tmp_path / "v.json").write_text(json.dumps([vector | change]))
    assert run(tmp_path) == 1
    assert told in " ".join(run.out.split())


def test_a_valid_vector_with_another_body(tmp_path: Path, run: Run) -> None:
    payload = encode("job-order", ASK, Encoding.CBOR).hex()
    vector = {"message": "job-order", "valid": True, "hex": payload, "body": ASK | {"token": 2}}
    (tmp_path / "v.json").write_text(json.dumps([vector]))
    assert run(tmp_path) == 1
    assert "but it is" in run.out


def test_payload_files_named_after_their_message(tmp_path: Path, run: Run) -> None:
    for encoding in Encoding:
        (tmp_path / f"job-order-ask.{encoding}").write_bytes(encode("job-order", ASK, encoding))
    (tmp_path / "fault.hex").write_text(
        "a5 00 01 01 02 02 03 09 80 0d 00\n\na5:00:01:01:02:02:03:09:80:0d:00\n"
    )
    (tmp_path / "notes.txt").write_text("not looked at")
    assert run(tmp_path) == 0
    assert "4 messages" in run.out


def test_a_line_end_of_an_editor_is_no_fault(tmp_path: Path, run: Run) -> None:
    file = tmp_path / "job-order.json"
    file.write_text('{"act":"ask","token":1}\n')
    assert run(file) == 0
    file.write_text('{"act":"ask","token":1}\n\n')
    assert run(file) == 1
    assert "ENC-03" in run.out


def test_everything_is_told_within_eighty_columns(run: Run) -> None:
    assert run("--message", "job-order", "--hex", "a3 02 06 00 1a 00011170 01 00") == 1
    assert "ENC-05  boot, byte 4: is 70000, above 65535" in run.out
    assert "fix: Send an integer from 0 to 65535" in run.out
    assert "ENC-06  deadline: is missing" in run.out
    assert "ENC-06  A message carries every field" in run.out
    assert run.out.endswith("1 message checked: 1 not as it should be\n")
    assert max(map(len, run.out.splitlines())) <= 80


def test_as_json(run: Run) -> None:
    assert run("--json", "--message", "job-order", "--hex", "a1 02 00", "--hex", "a2 02 00 10 01") == 1
    found = json.loads(run.out)
    assert (found["checked"], found["wrong"]) == (2, 1)
    (row,) = found["messages"]
    assert (row["where"], row["message"], row["payload"]) == ("--hex 1", "job-order", "a10200")
    (finding,) = row["findings"]
    assert finding.keys() == {"requirement", "where", "byte", "what", "fix"}
    assert list(found["requirements"]) == ["ENC-06"]


def lines(*rows: dict[str, object]) -> bytes:
    return "".join(json.dumps(row) + "\n" for row in rows).encode()


def test_json_lines(tmp_path: Path, run: Run) -> None:
    payload = encode("job-order", ASK, Encoding.CBOR).hex()
    good = {"topic": TOPIC, "hex": payload, "qos": 1, "retain": False}
    assert run("-", stdin=lines(good, {"message": "job-order", "text": '{"act":"hold"}'})) == 0
    assert "2 messages" in run.out
    assert run("-", stdin=lines(good, good | {"retain": True})) == 1
    assert "standard input, line 2" in run.out
    assert "LNK-13  retain" in run.out
    (tmp_path / "bus.jsonl").write_bytes(lines(good))
    assert run(tmp_path) == 0


def test_a_payload_from_standard_input(run: Run) -> None:
    assert run("-", "--message", "job-order", stdin=encode("job-order", ASK, Encoding.CBOR)) == 0
    assert run("-", "--message", "job-order", stdin=b"") == 1
    assert "payload is empty" in run.out


def recording(*messages: RecordedMessage) -> bytes:
    file = io.BytesIO()
    writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "test", "test"))
    for message in messages:
        writer.message(message)
    writer.end(2_000_000)
    return file.getvalue()


RECORDED = RecordedMessage(
    1_500_000, "yw1/harlow-basin/north/node-status", OFF, qos=0, retain=False, dup=False
)


def test_a_recording(tmp_path: Path, run: Run) -> None:
    file = tmp_path / "run.yw"
    file.write_bytes(recording(RECORDED))
    assert run(file) == 0
    assert run(tmp_path) == 0
    assert run("-", stdin=file.read_bytes()) == 0
    kept = RecordedMessage(1_600_000, TOPIC, encode("job-order", ASK, Encoding.JSON), 1, True, False)
    file.write_bytes(recording(RECORDED, kept))
    assert run(file) == 1
    assert "1.600 s" in run.out
    assert "LNK-13" in run.out


def test_a_recording_that_breaks_off_is_judged_as_far_as_it_goes(tmp_path: Path, run: Run) -> None:
    file = tmp_path / "run.yw"
    whole = recording(RECORDED, RECORDED)
    file.write_bytes(whole[:-30])
    assert run(file) == 2
    assert "1 message checked: all right" in run.out
    assert "breaks off at byte" in run.err


def test_an_empty_recording_beside_a_full_one_is_told(tmp_path: Path, run: Run) -> None:
    full, empty, nothing = tmp_path / "full.yw", tmp_path / "empty.yw", tmp_path / "nothing"
    full.write_bytes(recording(RECORDED))
    empty.write_bytes(recording())
    nothing.mkdir()
    for other in (empty, nothing):
        assert run(full, other) == 2
        assert f"{other}: there was no message to check" in run.err
    assert run(empty) == 2


def test_a_recorder_that_was_killed_leaves_no_all_right_without_a_word(tmp_path: Path, run: Run) -> None:
    file = io.BytesIO()
    writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "test", "test"))
    writer.message(RECORDED)
    writer.flush()
    path = tmp_path / "killed.yw"
    path.write_bytes(file.getvalue())
    assert run(path) == 0
    assert "1 message checked: all right as far as it goes" in run.out
    assert "ends without the recorder's end mark" in " ".join(run.out.split())
    assert run(path, "--json") == 0
    assert json.loads(run.out)["complete"] is False


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["nowhere"], "nowhere: cannot be read: No such file or directory"),
        ([], "name a file, a folder, '-', --hex or --broker"),
        (["--hex", "a0"], "which message is it?"),
        (["--hex", "a0", "--message", "job-odrer"], "there is no message 'job-odrer'"),
        (["--hex", "a", "--message", "fault"], "invalid hex"),
        (["--hex", "zz", "--message", "fault"], "invalid hex"),
        (["--broker", "http://x"], "not a broker URL"),
        pytest.param(["--broker", "mqtt://127.0.0.1:9"], "127.0.0.1:9", marks=pytest.mark.wire),
        (["--broker", "mqtt://127.0.0.1:9", "--site", "a/#"], "'a/#' is not a site name"),
        (["--seconds", "0", "--broker", "mqtt://127.0.0.1:9"], "0.0 is not in the range"),
    ],
)
def test_what_cannot_be_run(arguments: list[str], told: str, run: Run) -> None:
    assert run(*arguments) == 2
    assert told in run.err


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("a.json", b"{}", "which message is it?"),
        ("a.json", b'[{"name":"x"}]', "vector 1: not a vector"),
        ("a.json", b'[{"valid":true,"message":"fault"}]', "there is no payload"),
        ("a.json", b'[{"valid":true,"message":"fault","hex":1}]', "'hex' is of the wrong type"),
        ("a.jsonl", b"{", "line 1: not JSON"),
        ("a.jsonl", b"[]", "line 1: not a JSON object"),
        ("a.jsonl", b'{"topic":"x"}', "line 1: there is no payload"),
        ("a.jsonl", b"\xff", "byte 0 is not UTF-8"),
        ("fault.hex", b"zz", "line 1: invalid hex"),
        ("a.yw", recording(RECORDED)[:20], "the recording is damaged"),
        ("a.yw", recording(RECORDED) + b"\x01", "the recording is damaged"),
        ("a.txt", b"hello", "there was no message to check"),
    ],
)
def test_files_that_are_no_messages(name: str, content: bytes, told: str, tmp_path: Path, run: Run) -> None:
    (tmp_path / name).write_bytes(content)
    assert run(tmp_path) == 2
    assert told in run.err


def test_what_a_sender_chose_cannot_write_on_the_terminal(run: Run) -> None:
    assert run("-", stdin=lines({"topic": "yw1/\x1b[2J/north/fault", "text": '{"\\u001b[2J":1}'})) == 1
    assert "\x1b" not in run.out


def test_the_live_bus(run: Run) -> None:
    with start_broker("embedded") as broker:
        for node, payload in (("north", OFF), ("south", b'{"boot":1,"link":1,"state":"of"}')):
            publish.single(
                f"yw1/harlow-basin/{node}/node-status",
                payload,
                qos=1,
                retain=True,
                hostname=broker.host,
                port=broker.port,
            )
        url = f"mqtt://{broker.host}:{broker.port}"
        assert run("--broker", url, "--site", "harlow-basin", "--seconds", "1") == 1
        assert "2 messages checked: 1 not as it should be" in run.out
        assert "yw1/harlow-basin/south/node-status" in run.out
        assert "Did you mean 'off'?" in run.out
        assert run("--broker", url, "--site", "another", "--seconds", "0.2") == 2
        assert "there was no message to check" in run.err


def test_a_bus_that_goes_away_while_it_is_listened_to_is_no_all_right(run: Run) -> None:
    """A word is heard, and then the broker ends in the middle of the time."""
    with start_broker("embedded") as broker:
        publish.single(
            "yw1/harlow-basin/north/node-status",
            OFF,
            qos=1,
            retain=True,
            hostname=broker.host,
            port=broker.port,
        )
        with Tap(broker.host, broker.port) as tap:
            cut = threading.Timer(1.0, tap.cut)
            cut.start()
            assert run("--broker", f"mqtt://{tap.host}:{tap.port}", "--seconds", "2") == 2
    assert "checked" in run.out
    assert "the connection to the broker broke while it was listened to" in run.err
