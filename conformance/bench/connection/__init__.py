"""Where a broker is, and how to be let in."""
