"""The reference supervisor: pure logic, a participant of the bus like every other."""
