"""No false alarm: many runs of the conformance suite over the reference nodes, none with a word against them."""
