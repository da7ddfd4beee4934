"""A client with a will, run as a program of its own so that it can be killed: `killed_client.py PORT`."""

from __future__ import annotations

import sys
import threading

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


def main() -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="north")
    client.will_set("yw1/harlow-basin/north/node-status", b"off", qos=1, retain=True)
    connected = threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.connect("127.0.0.1", int(sys.argv[1]), keepalive=60)
    client.loop_start()
    connected.wait(10)
    sys.stdout.write("connected\n")
    sys.stdout.flush()
    sys.stdin.read()


if __name__ == "__main__":
    main()
