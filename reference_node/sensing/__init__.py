"""What a berth makes of the edges of its sensors. Pure."""
