"""Reference nodes: what a controller on the bus does, and machines simulated for it to do it to."""
