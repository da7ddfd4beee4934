"""The client under all links, where it was not even made."""

from __future__ import annotations

from protocol.wire.mqtt_client import MqttClient


def test_one_whose_making_was_broken_off_is_thrown_away_in_silence() -> None:
    """By a signal, for one: paho's destructor closes sockets that its constructor has not named yet."""
    half_made = MqttClient.__new__(MqttClient)
    half_made.__del__()
