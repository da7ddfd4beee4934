"""`yardwire demo`."""
