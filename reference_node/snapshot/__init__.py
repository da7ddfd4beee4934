"""Snapshots of participants: their state as a value that can be compared, and copies that go on from it."""
