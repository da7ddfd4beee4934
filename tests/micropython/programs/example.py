"""Runs in MicroPython: `example.py FOLDER WHERE` runs the example in a folder with stand-ins for a board's modules.

Pins read high, as with nothing connected; what is written to them goes nowhere. `WHERE` replaces the example's own.
"""

import sys


class Pin:
    IN, OUT, PULL_UP, IRQ_FALLING, IRQ_RISING = 0, 1, 2, 4, 8

    def __init__(self, number: int, mode: int, pull: int = 0, value: int = 1) -> None:
        self._value = value

    def value(self, level=None):
        if level is None:
            return self._value
        self._value = level
        return None

    def irq(self, handler, trigger: int) -> None:
        pass


class PWM:
    def __init__(self, pin: Pin, freq: int, duty_u16: int) -> None:
        pass

    def duty_u16(self, duty: int) -> None:
        if not 0 <= duty <= 65535:
            raise ValueError(duty)

    def duty_ns(self, width: int) -> None:
        pass


class WDT:
    def __init__(self, timeout: int) -> None:
        pass

    def feed(self) -> None:
        pass


class WLAN:
    def __init__(self, kind: int) -> None:
        pass

    def active(self, is_active: bool) -> None:
        pass

    def connect(self, name: str, password: str) -> None:
        pass

    def isconnected(self) -> bool:
        return True


class Machine:
    PWRON_RESET, WDT_RESET = 1, 3

    def reset_cause(self) -> int:
        return 1


class Network:
    STA_IF = 0


Machine.Pin, Machine.PWM, Machine.WDT = Pin, PWM, WDT
Network.WLAN = WLAN
modules: dict = sys.modules
modules["machine"] = Machine()
modules["network"] = Network()
folder, where = sys.argv[1:]
sys.path.insert(0, folder)
with open(folder + "/main.py") as file:
    program = file.read().split("\n")
lines = ["WHERE = " + where if line.startswith("WHERE = ") else line for line in program]
exec("\n".join(lines), {"__name__": "__main__"})
