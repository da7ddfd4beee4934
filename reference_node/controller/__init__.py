"""The controller of one node: orders in, messages out, one job at a time. Pure."""
