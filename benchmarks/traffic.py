"""Recorder, reader, comparison and replay on a million messages; needs mosquitto, jq and GNU diff."""

from __future__ import annotations

import json
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event, Thread
from typing import Any

import cbor2

from benchmarks.listeners import END_TOPIC
from benchmarks.row import Row
from benchmarks.spent import Command, Spent
from benchmarks.traffic_source import make
from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.probe import connect_packet
from conformance.bench.mqtt.framing import Splitter, packet, string
from conformance.bench.mqtt.packets import decode
from conformance.recordings.record.capture import CHUNK, PublishSplitter
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage, RecordingReader
from protocol.short_way import to_words
from protocol.wire.packet import Publish

LISTENS_S = 180.0
TURNS = 3
SLOW_SAMPLE = 5_000
"""Messages that the slow validator reads: its time a message does not depend on how many there are."""
VOLATILE = (
    "boot", "order_boot", "berth_boot", "shuttle_boot", "seq", "uptime", "mark", "id", "job", "token", "deadline",
    "rests_on",
)  # fmt: skip
JQ = f"[.topic, (.body | del({', '.join('.' + name for name in VOLATILE)}))]"
"""What a user would leave out before comparing: all that differs between any two runs."""


def rows(wanted: int) -> Iterator[Row]:
    """All rows, on recordings of `wanted` messages."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        good, bad, tenth = folder / "good.ywrec", folder / "bad.ywrec", folder / "tenth.ywrec"
        messages = make(good, wanted, seed=1)
        make(bad, wanted, seed=2, faults=True)
        make(tenth, wanted // 10, seed=1)
        yield from record_rows(good, messages, tenth, folder)
        yield from reading_rows(good)
        yield from diff_rows(good, bad, tenth, folder)
        yield from memory_rows(good, tenth)
        yield from replay_rows(good, tenth)


# ------------------------------------------------------------------------------------------ record
def record_rows(good: Path, messages: int, tenth: Path, folder: Path) -> Iterator[Row]:
    """The recorder against clients that only write what comes, on a mosquitto at QoS 0, as fast as it goes."""
    stream, outs = _stream(good, folder / "stream"), [folder / f"recorded-{run}.ywrec" for run in range(3)]
    yield splitting_row(stream)
    paho = _listen(partial(_plain, "paho", folder / "plain"), stream)
    pairs = [
        (
            _listen(partial(_plain, "bare", folder / "plain"), stream),
            _listen(partial(_recorder, out, messages), stream),
        )
        for out in outs
    ]
    bare, heard = (min(spent, key=lambda one: one.used) for spent in zip(*pairs, strict=True))
    got = min(sum(item.topic != END_TOPIC for item in messages_of(out)) for out in outs)
    yield Row(
        "messages recorded of those sent at QoS 0", got / messages, 1.0,
        f"{got:,} of {messages:,} at {messages / heard.lasted:,.0f}/s", at_least=True,
    )  # fmt: skip
    for name, other in (("bare", bare), ("paho", paho)):
        figures = f"{1e6 * heard.used / messages:.1f} us / {1e6 * other.used / messages:.1f} us a message"
        what = f"recorder / {name} client writing unformatted, processor"
        yield Row(what, heard.used / other.used, 1.5, figures)
    few = sum(1 for _ in messages_of(tenth))
    little = _listen(partial(_recorder, folder / "few.ywrec", few), _stream(tenth, stream))
    yield _memory("record", heard.kilobytes, little.kilobytes)


def splitting_row(stream: Path) -> Row:
    """What the recorder's own splitter spares: the same packets by it, and by the general one and the decoder."""
    data = stream.read_bytes()
    chunks = [data[begin : begin + CHUNK] for begin in range(0, len(data), CHUNK)]
    got: list[RecordedMessage] = []
    began = time.process_time()
    quick = PublishSplitter(got.append)
    for chunk in chunks:
        quick.feed(chunk, 0)
    own = time.process_time() - began
    number = 0
    began = time.process_time()
    general = Splitter()
    for chunk in chunks:
        general.feed(chunk)
        while (raw := general.next_packet()) is not None:
            number += isinstance(decode(raw), Publish)
    usual = time.process_time() - began
    if number != len(got):
        raise AssertionError(f"{len(got)} packets by one splitter, {number} by the other")
    figures = f"{1e6 * own / number:.1f} us / {1e6 * usual / number:.1f} us a packet"
    return Row("recorder's splitter / general splitter and decoder, processor", own / usual, 0.5, figures)


def _stream(recording: Path, path: Path) -> Path:
    """A file of PUBLISH packets at QoS 0, with one that says the end."""
    with path.open("wb") as file:
        for item in messages_of(recording):
            file.write(packet(0x30, string(item.topic) + item.payload))
        file.write(packet(0x30, string(END_TOPIC)))
    return path


def _plain(name: str, out: Path, port: int) -> list[str]:
    return ["benchmarks.listeners", name, str(port), str(out)]


def _recorder(out: Path, messages: int, port: int) -> list[str]:
    words = [
        "record",
        str(out),
        "--site",
        "harlow-basin",
        "--qos",
        "0",
        "--broker",
        f"mqtt://127.0.0.1:{port}",
    ]
    return ["conformance.commands.main", *words, "--messages", str(messages + 1)]


def _listen(module: Callable[[int], list[str]], stream: Path) -> Spent:
    with start_broker("mosquitto") as broker:
        listener = Command("-m", *module(broker.port))
        Event().wait(3.0)  # Nobody tells when a subscriber is ready; its start is in every figure alike.
        began = time.perf_counter()
        sender = Thread(target=_send, args=(broker.port, stream))
        sender.start()
        spent = listener.wait(LISTENS_S)
        sender.join()
    if spent.code:
        raise AssertionError(f"{' '.join(module(0))} ended with {spent.code}")
    return replace(spent, lasted=spent.ended - began)


def _send(port: int, stream: Path) -> None:
    with socket.create_connection(("127.0.0.1", port)) as sock, stream.open("rb") as file:
        sock.sendall(connect_packet("sender", level=4, user=None, password=None))
        sock.sendfile(file)
        sock.sendall(packet(0xE0, b""))
        while sock.recv(4096):
            pass  # Closing with unread answers would reset the connection and lose what is on its way.


# ------------------------------------------------------------------------------------------ reading
def reading_rows(recording: Path) -> Iterator[Row]:
    """Reading with validation, against decoding alone and against the jsonschema package alone."""
    reader = BulkReader()
    # In turns, the best of each: whatever else the machine does falls on both.
    turns = [
        (
            timed(
                lambda: sum(
                    not reader.read(item.topic, item.payload).findings for item in messages_of(recording)
                )
            ),
            timed(lambda: sum(_decoded(reader, item) is not None for item in messages_of(recording))),
        )
        for _ in range(TURNS)
    ]
    (valid, full), (read, alone) = (min(runs, key=lambda run: run[1]) for runs in zip(*turns, strict=True))
    if valid != read:
        raise AssertionError(f"{read - valid} messages of the simulator are not valid")
    ours, decoding = 1e6 * full / valid, 1e6 * alone / valid
    slow = _jsonschema_us(recording)
    yield Row(
        "jsonschema package alone / reading with validation", slow / ours, 20,
        f"{slow:.0f} us / {ours:.1f} us a message", at_least=True,
    )  # fmt: skip
    figures = f"{ours:.1f} us / {decoding:.1f} us a message"
    yield Row("reading with validation / decoding alone", ours / decoding, 1.6, figures)


def _decoded(reader: BulkReader, item: RecordedMessage) -> dict[str, Any] | None:
    """A sound message in words, judged by nothing."""
    topic = reader.topic(item.topic)
    if topic is None:
        return None
    if item.payload[:1] == b"{":
        body: dict[str, Any] = json.loads(item.payload)
        return body
    return to_words(topic.message, cbor2.loads(item.payload))


def _jsonschema_us(recording: Path) -> float:
    """Microseconds a message of jsonschema on bodies that are decoded already."""
    from jsonschema import Draft202012Validator
    from referencing import Registry, Resource

    from protocol.specification import specification

    spec = specification()
    schemas = [(urn, Resource.from_contents(dict(one))) for urn, one in spec.by_urn.items()]
    registry = Registry().with_resources(schemas)
    validators = {
        name: Draft202012Validator(dict(one), registry=registry) for name, one in spec.messages.items()
    }
    reader, bodies = BulkReader(), []
    for item in messages_of(recording):
        topic, body = reader.topic(item.topic), reader.decode(item.topic, item.payload)
        if topic is not None and body is not None:
            bodies.append((validators[topic.message], body))
        if len(bodies) == SLOW_SAMPLE:
            break
    valid, seconds = timed(lambda: sum(validator.is_valid(body) for validator, body in bodies))
    if valid != len(bodies):
        raise AssertionError("jsonschema does not agree")
    return 1e6 * seconds / len(bodies)


# ------------------------------------------------------------------------------------------ diff
def diff_rows(good: Path, bad: Path, tenth: Path, folder: Path) -> Iterator[Row]:
    """The comparison against jq and GNU diff, its growth, its memory, its matching alone."""
    from conformance.recordings.diff.event_log import Names
    from conformance.recordings.diff.events import event_log_of
    from conformance.recordings.diff.matching import match

    other = folder / "tenth-bad.ywrec"
    make(other, sum(1 for _ in messages_of(tenth)), seed=2, faults=True)
    small, _ = command("diff", str(tenth), str(other))
    large, memory = command("diff", str(good), str(bad))
    usual, gnu = _usual_way(good, bad, folder)
    names = Names()
    runs = [event_log_of(path.name, messages_of(path), names) for path in (good, bad)]
    sequences = [
        (one, runs[1].sequences[name]) for name, one in runs[0].sequences.items() if name in runs[1].sequences
    ]
    _, matching = timed(lambda: sum(len(match(a.meanings, b.meanings)) for a, b in sequences))
    events = sum(map(len, runs[0].sequences.values()))
    yield Row("diff of 10 times the messages, time", large / small, 13, f"{large:.1f} s / {small:.1f} s")
    yield Row("diff / jq and GNU diff, time", large / usual, 0.5, f"{large:.1f} s / {usual:.1f} s")
    yield Row("diff, memory in GB", memory / 1e6, 1, f"{memory / 1e3:.0f} MB")
    figures = f"{matching:.2f} s for {events:,} events / {gnu:.2f} s"
    yield Row("matching alone / GNU diff alone, time", matching / gnu, 2, figures)


def _usual_way(good: Path, bad: Path, folder: Path) -> tuple[float, float]:
    """Seconds for jq on both and GNU diff, and of GNU diff alone. The export is not counted."""
    texts = []
    spent = 0.0
    for name, path in (("good", good), ("bad", bad)):
        lines, text = folder / f"{name}.jsonl", folder / f"{name}.txt"
        command("show", str(path), "--export", str(lines))
        began = time.perf_counter()
        with text.open("wb") as file:
            subprocess.run(["jq", "-S", "-c", JQ, str(lines)], stdout=file, check=True)
        spent += time.perf_counter() - began
        lines.unlink()
        texts.append(str(text))
    began = time.perf_counter()
    subprocess.run(["diff", *texts], stdout=subprocess.DEVNULL, check=False)
    gnu = time.perf_counter() - began
    return spent + gnu, gnu


# ------------------------------------------------------------------------------------------ memory
def memory_rows(long: Path, short: Path) -> Iterator[Row]:
    """The largest resident set on a long recording against one of a tenth of its length."""
    for words in (("show", "--stats"), ("validate",)):
        _, much = command(words[0], str(long), *words[1:])
        _, little = command(words[0], str(short), *words[1:])
        yield _memory(" ".join(words), much, little)


def _memory(what: str, much: int, little: int) -> Row:
    figures = f"{much / 1e3:.0f} MB / {little / 1e3:.0f} MB"
    return Row(f"memory of {what} on 10 times the messages", much / little, 1.2, figures)


# ------------------------------------------------------------------------------------------ replay
def replay_rows(long: Path, short: Path) -> Iterator[Row]:
    """As fast as it is acknowledged, on a mosquitto."""
    with start_broker("mosquitto") as broker:
        url = f"mqtt://127.0.0.1:{broker.port}"
        anyhow = ("--in-service", "--hands-off", "--yes")  # The first one leaves retained states behind.
        few, little = command("replay", str(short), "--broker", url, "--fast", *anyhow)
        many, much = command("replay", str(long), "--broker", url, "--fast", *anyhow)
    yield Row("replay of 10 times the messages, time", many / few, 13, f"{many:.1f} s / {few:.1f} s")
    yield _memory("replay", much, little)


def command(*arguments: str) -> tuple[float, int]:
    """Seconds and the largest resident set in kB of a command of the kit; AssertionError if it could not run."""
    spent = Command("-m", "conformance.commands.main", *arguments).wait()
    if spent.code not in (0, 1):
        raise AssertionError(f"{' '.join(arguments)}: exit {spent.code}")
    return spent.lasted, spent.kilobytes


# ------------------------------------------------------------------------------------------ common
def messages_of(path: Path) -> Iterator[RecordedMessage]:
    """The messages of a plain recording."""
    with path.open("rb") as file:
        for item in RecordingReader(file):
            if isinstance(item, RecordedMessage):
                yield item


def timed(work: Callable[[], int]) -> tuple[int, float]:
    """What `work` gives, and how many seconds of processor time it took."""
    began = time.process_time()
    result = work()
    return result, time.process_time() - began
