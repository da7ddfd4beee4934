"""Starts a broker and a tap and waits to be interrupted: `bench_program.py CHOICE (wait | raise | exit)`."""

from __future__ import annotations

import signal
import sys

from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.mosquitto import Mosquitto
from conformance.bench.tap.tap import Tap


def main() -> None:
    # A test run in the background of a shell has SIGINT ignored, and children inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    choice, then = sys.argv[1:]
    with start_broker(choice) as broker, Tap(broker.host, broker.port) as tap:
        child = broker.process_id if isinstance(broker, Mosquitto) else 0
        sys.stdout.write(f"{broker.port} {tap.port} {child}\n")
        sys.stdout.flush()
        sys.stdin.readline()
        if then == "raise":
            raise RuntimeError("a fault of the kit's own")
        if then == "exit":
            sys.exit(3)
        sys.stdin.read()


if __name__ == "__main__":
    main()
