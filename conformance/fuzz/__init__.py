"""Finds what breaks a node: payloads, sequences of orders and links, judged by what the node then says."""
