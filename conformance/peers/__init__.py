"""The nodes that the kit plays for a supervisor under test, written from the specification alone.

They share no code with the reference nodes, so a supervisor that passes has met two readings of the protocol.
"""
