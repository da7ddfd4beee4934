"""Simulated machines: pure, driven by virtual time and a random generator passed in."""
