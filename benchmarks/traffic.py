"""Recorder, reader and comparison on a million messages: `python -m benchmarks.traffic [MESSAGES]`.

Takes some minutes; needs mosquitto, jq and GNU diff. Exit 1 when a bound is not kept.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event, Thread

from benchmarks.listeners import END_TOPIC
from benchmarks.traffic_source import make
from conformance.bench.broker import start_broker
from conformance.bench.framing import packet, string
from conformance.bench.probe import connect_packet
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage, RecordingReader

SLOW_SAMPLE = 5_000
"""Messages that the slow validator reads: its time a message does not depend on how many there are."""
VOLATILE = (
    "boot", "order_boot", "berth_boot", "shuttle_boot", "seq", "uptime", "mark", "id", "job", "token", "deadline",
    "rests_on",
)  # fmt: skip
JQ = f"[.topic, (.body | del({', '.join('.' + name for name in VOLATILE)}))]"
"""What a user would leave out before comparing: all that differs between any two runs."""


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement; `wanted` bounds the ratio from above, or with `at_least` from below."""

    what: str
    ratio: float
    wanted: float
    figures: str
    at_least: bool = False

    @property
    def met(self) -> bool:
        """Whether the bound is kept."""
        return self.ratio >= self.wanted if self.at_least else self.ratio <= self.wanted


def rows(wanted: int) -> Iterator[Row]:
    """All rows, on recordings of `wanted` messages."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        good, bad, tenth = folder / "good.ywrec", folder / "bad.ywrec", folder / "tenth.ywrec"
        messages = make(good, wanted, seed=1)
        make(bad, wanted, seed=2, faults=True)
        make(tenth, wanted // 10, seed=1)
        yield from record_rows(good, messages, folder)
        yield from reading_rows(good)
        yield from diff_rows(good, bad, tenth, folder)
        yield from memory_rows(good, tenth)


# ------------------------------------------------------------------------------------------ record
def record_rows(recording: Path, messages: int, folder: Path) -> Iterator[Row]:
    """The recorder against clients that only write what comes, on a mosquitto at QoS 0, as fast as it goes."""
    stream, out = folder / "stream", folder / "recorded.ywrec"
    with stream.open("wb") as file:
        for item in messages_of(recording):
            file.write(packet(0x30, string(item.topic) + item.payload))
        file.write(packet(0x30, string(END_TOPIC)))
    kit = ["-m", "conformance.commands.main", "record", str(out), "--site", "harlow-basin", "--qos", "0"]
    commands: dict[str, Callable[[int], list[str]]] = {
        "bare": lambda port: ["-m", "benchmarks.listeners", "bare", str(port), str(folder / "bare")],
        "paho": lambda port: ["-m", "benchmarks.listeners", "paho", str(port), str(folder / "paho")],
        "record": lambda port: [
            *kit,
            "--broker",
            f"mqtt://127.0.0.1:{port}",
            "--messages",
            str(messages + 1),
        ],
    }
    used = {}
    for name, command in commands.items():
        used[name], rate = _listen(command, stream, messages)
    got = sum(item.topic != END_TOPIC for item in messages_of(out))
    told = {name: f"{1e6 * seconds / messages:.1f} us" for name, seconds in used.items()}
    yield Row(
        "messages recorded of those sent at QoS 0", got / messages, 1.0,
        f"{got:,} of {messages:,} at {rate:,.0f}/s", at_least=True,
    )  # fmt: skip
    for name in ("bare", "paho"):
        figures = f"{told['record']} / {told[name]} a message"
        yield Row(
            f"recorder / {name} client writing unformatted, processor",
            used["record"] / used[name],
            1.5,
            figures,
        )


def _listen(command: Callable[[int], list[str]], stream: Path, messages: int) -> tuple[float, float]:
    """Processor seconds of a listener while the stream goes through a broker, and messages a second."""
    with start_broker("mosquitto") as broker:
        before = os.times()
        listener = subprocess.Popen([sys.executable, *command(broker.port)], stdout=subprocess.DEVNULL)
        Event().wait(3.0)  # Nobody tells when a subscriber is ready; its start is in every figure alike.
        began = time.perf_counter()
        sender = Thread(target=_send, args=(broker.port, stream))
        sender.start()
        try:
            listener.wait(timeout=180)
        except subprocess.TimeoutExpired:
            listener.terminate()
            listener.wait()
        seconds = time.perf_counter() - began
        sender.join()
        after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return used, messages / seconds


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
    valid, full = timed(
        lambda: sum(not reader.read(item.topic, item.payload).findings for item in messages_of(recording))
    )
    read, alone = timed(
        lambda: sum(reader.decode(item.topic, item.payload) is not None for item in messages_of(recording))
    )
    if valid != read:
        raise AssertionError(f"{read - valid} messages of the simulator are not valid")
    ours, decoding = 1e6 * full / valid, 1e6 * alone / valid
    slow = _jsonschema_us(recording)
    yield Row(
        "jsonschema package alone / reading with validation", slow / ours, 20,
        f"{slow:.0f} us / {ours:.1f} us a message", at_least=True,
    )  # fmt: skip
    figures = f"{ours:.1f} us / {decoding:.1f} us a message"
    yield Row("reading with validation / decoding alone", ours / decoding, 2, figures)


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
    from conformance.traffic.deeds import Names, deeds_of
    from conformance.traffic.matching import match

    other = folder / "tenth-bad.ywrec"
    make(other, sum(1 for _ in messages_of(tenth)), seed=2, faults=True)
    small, _ = command("diff", str(tenth), str(other))
    large, memory = command("diff", str(good), str(bad))
    usual, gnu = _usual_way(good, bad, folder)
    names = Names()
    runs = [deeds_of(path.name, messages_of(path), names) for path in (good, bad)]
    lanes = [(one, runs[1].lanes[name]) for name, one in runs[0].lanes.items() if name in runs[1].lanes]
    _, matching = timed(lambda: sum(len(match(a.meanings, b.meanings)) for a, b in lanes))
    deeds = sum(map(len, runs[0].lanes.values()))
    yield Row("diff of 10 times the messages, time", large / small, 13, f"{large:.1f} s / {small:.1f} s")
    yield Row("diff / jq and GNU diff, time", large / usual, 0.5, f"{large:.1f} s / {usual:.1f} s")
    yield Row("diff, memory in GB", memory / 1e6, 1, f"{memory / 1e3:.0f} MB")
    figures = f"{matching:.2f} s for {deeds:,} deeds / {gnu:.2f} s"
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
        figures = f"{much / 1e3:.0f} MB / {little / 1e3:.0f} MB"
        yield Row(f"memory of {' '.join(words)} on 10 times the messages", much / little, 1.2, figures)


def command(*arguments: str) -> tuple[float, int]:
    """Seconds and the largest resident set in kB of a command of the kit."""
    code = (
        "import json,resource,subprocess,sys,time;b=time.perf_counter();"
        "subprocess.run([sys.executable,'-m','conformance.commands.main',*sys.argv[1:]],stdout=subprocess.DEVNULL);"
        "print(json.dumps([time.perf_counter()-b,resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True
    )
    seconds, kilobytes = json.loads(done.stdout)
    return float(seconds), int(kilobytes)


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


def main(wanted: int) -> int:
    """Print the table; gives the exit code."""
    met = True
    print("| measured | ratio | bound | met | figures |\n|---|---|---|---|---|")
    for row in rows(wanted):
        bound = f"{'at least' if row.at_least else 'at most'} {row.wanted:g}"
        answer = "yes" if row.met else "no"
        print(f"| {row.what} | {row.ratio:.2f} | {bound} | {answer} | {row.figures} |", flush=True)
        met = met and row.met
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))
