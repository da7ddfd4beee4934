"""MQTT control packets as bytes, for the tap and the recorder."""
