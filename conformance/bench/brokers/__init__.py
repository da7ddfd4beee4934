"""The broker of a bench: a given one, a private mosquitto, or the embedded one."""
