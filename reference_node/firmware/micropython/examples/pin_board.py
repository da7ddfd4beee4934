"""What the three examples share: pins, the watchdog, the number of the boot in two small files, and the link.

Tried with MicroPython 1.28 and stand-ins for the modules of a board. The pins are for an RP2040 (Pico, Pico W); on an
ESP32 take other numbers: not 6 to 11, which are its flash, and not 34 to 39 for outputs or pull-ups.
"""

import gc
import os
import time

import machine
from yardwire_node.board import Board
from yardwire_node.boot import next_boot
from yardwire_node.clock import Clock
from yardwire_node.main_loop import run
from yardwire_node.mqtt import MqttLink
from yardwire_node.node import Node
from yardwire_node.serial import SerialLink

WATCHDOG_MS = 2000
PWM_HZ = 20_000
WAIT_FOR_WIFI_S = 20


class PinBoard(Board):
    """Sensors are switches to ground on pins with pull-ups: low is closed, and a wire that is off is open."""

    def __init__(self, sensors: dict) -> None:
        super().__init__()
        self.clock_ms = Clock()
        self._pins = {}
        self._levels: dict = {}
        self._noted: list = []
        self._watchdog: machine.WDT | None = None
        for sensor in sensors:
            pin = machine.Pin(sensors[sensor], machine.Pin.IN, machine.Pin.PULL_UP)
            self._pins[sensor] = pin
            self._levels[sensor] = pin.value() == 0
            # The time of a change is exact even while the main loop is elsewhere.
            pin.irq(self._noting(sensor), machine.Pin.IRQ_FALLING | machine.Pin.IRQ_RISING)

    def _noting(self, sensor: str):
        def note(pin) -> None:
            self._noted.append((time.ticks_ms(), sensor, pin.value() == 0))

        return note

    def inputs(self) -> dict:
        for sensor in self._pins:
            self._levels[sensor] = self._pins[sensor].value() == 0
        return self._levels

    def edges(self) -> list:
        noted, self._noted = self._noted, []
        now_ms, now = self.clock_ms(), time.ticks_ms()
        found = [(now_ms - time.ticks_diff(now, at), sensor, closed) for at, sensor, closed in noted]
        for _, sensor, closed in noted:
            self._seen[sensor] = closed
        return found + super().edges()  # What no interrupt has noted is seen now.

    def feed(self) -> None:
        if self._watchdog is not None:
            self._watchdog.feed()

    def watch(self) -> None:
        """Begin to be watched: from now on a main loop that stands still starts the board again [SAF-03]."""
        self._watchdog = machine.WDT(timeout=WATCHDOG_MS)

    def memory(self) -> int | None:
        gc.collect()
        return gc.mem_free()

    def read_record(self, record: int) -> bytes:
        try:
            with open("boot." + str(record), "rb") as file:
                return file.read()
        except OSError:
            return b""

    def write_record(self, record: int, content: bytes) -> None:
        with open("boot." + str(record), "wb") as file:
            file.write(content)

    def entropy(self) -> int:
        return int.from_bytes(os.urandom(2), "big")


def output(number: int):
    """A pin that is low from the start; a resistor has held it there until now [SAF-02]."""
    return machine.Pin(number, machine.Pin.OUT, value=0)


def pwm(number: int):
    """A pin with pulses, off."""
    return machine.PWM(output(number), freq=PWM_HZ, duty_u16=0)


def reset_cause() -> str:
    """In a word of the protocol; ports differ in what they can tell."""
    causes = {
        "PWRON_RESET": "power-on",
        "WDT_RESET": "watchdog",
        "SOFT_RESET": "software",
        "HARD_RESET": "external",
    }
    for name in causes:
        if hasattr(machine, name) and machine.reset_cause() == getattr(machine, name):
            return causes[name]
    return "unknown"


def join(network_name: str, password: str) -> None:
    """Join a Wi-Fi network; it comes back by itself. Outputs are off meanwhile."""
    import network

    radio = network.WLAN(network.STA_IF)
    radio.active(True)
    radio.connect(network_name, password)
    for _ in range(WAIT_FOR_WIFI_S):
        if radio.isconnected():
            break
        time.sleep(1)


def serve(site: dict, board: PinBoard, bench_pin: int, where: dict) -> None:
    """Run the node for ever. `where` is {"uart", "baud"} of a cable, or {"wifi", "password", "broker"} and more."""
    bench = machine.Pin(bench_pin, machine.Pin.IN, machine.Pin.PULL_UP).value() == 0
    boot, lost = next_boot(board)
    node = Node(site, board, boot, boot_lost=lost, bench=bench, reset=reset_cause())
    if "uart" in where:
        link = SerialLink(node, machine.UART(where["uart"], where["baud"], timeout=0))
    else:
        join(where["wifi"], where["password"])
        link = MqttLink(
            node, where["broker"], where.get("port", 1883), where.get("user", ""), where.get("secret", "")
        )
    board.watch()
    run(node, link)
