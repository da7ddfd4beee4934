"""From the bus into a recording."""
