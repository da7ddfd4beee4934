"""`yardwire measure collect`: pairs of rest reading and axis position with the machine itself."""
