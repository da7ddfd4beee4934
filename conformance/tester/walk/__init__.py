"""Walks a node on a bench through the machine that it must be."""
