"""`yardwire conform`."""
