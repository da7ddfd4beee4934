"""Figures of every run over weeks: control charts that learn their limits, and what they say in words."""
