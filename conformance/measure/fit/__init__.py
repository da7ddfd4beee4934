"""Curves through measured points, and how well they are known."""
