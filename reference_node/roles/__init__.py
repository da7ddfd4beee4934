"""The logic of each role a node can play, over the protocol and without I/O."""
