"""The machines of a node, simulated over one world of boxes and trains."""
