"""`yardwire supervise`."""
