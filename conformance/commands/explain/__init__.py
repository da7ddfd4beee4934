"""`yardwire explain`: what an id, a case or a word of the protocol means."""
