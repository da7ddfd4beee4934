"""Bus traffic: what was said, recorded and told."""
