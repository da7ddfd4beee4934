"""The entries of the search: what a page is found by, and which pages come first."""

from __future__ import annotations

import re

Entry = tuple[str, str, str, str, int, str]
"""Path, title, words, what it is, how far forward it stands, and words that count as much as those of the title."""

MOST_LETTERS = 6000

GUIDE, EXPLAINED, PAGE = 60, 30, 0
"""Who types a word wants to know what to do; then what it means; a case or a requirement that names it comes last."""

ALSO = {
    "guides/port-the-core.html": (
        "arduino esp32 esp8266 avr atmega uno nano mega rp2040 stm32 teensy c firmware platformio"
    ),
    "guides/first-board.html": (
        "arduino esp32 esp8266 raspberry pi pico firmware begin start javascript rust go lua language"
    ),
    "guides/board-in-micropython.html": "esp32 esp8266 raspberry pi pico rp2040 micropython python mip",
    "guides/board-on-a-cable.html": "uart usb serial rs485 rs-485 arduino uno nano no network wifi wi-fi",
    "guides/use-the-files.html": "arduino esp32 library header constants",
    "guides/who-may-connect.html": (
        "tls ssl certificate encryption password login user acl mosquitto security broker port 8883"
    ),
    "guides/lenient-libraries.html": "arduinojson cjson cbor2 tinycbor libcbor json parser library esp-idf",
    "guides/wiring-and-safety.html": "emergency stop estop e-stop relay fuse reed hall magnet sensor motor driver",
    "protocol/in-time.html": "timeout time-out timing deadline limit slow late latency heartbeat keep-alive keepalive",
    "protocol/site-fields.html": "timeout configuration config toml default digest crc crc32 checksum debounce",
    "protocol/faults.html": "error alarm stuck reset clear",
    "protocol/bench.html": "stimulus test sensor simulate mock",
}
"""Words that people type and that the page does not use, or not often enough."""


def entry(path: str, title: str, words: str, about: str) -> Entry:
    """The entry of one page."""
    text = " ".join(dict.fromkeys(re.findall(r"[\w.-]+", words.lower())))
    return path, title, text[:MOST_LETTERS], about, _weight(path), ALSO.get(path, "")


def _weight(path: str) -> int:
    if path.startswith("guides/"):
        return GUIDE
    return EXPLAINED if path.startswith(("protocol/", "commands/", "messages/", "acts/")) else PAGE
