"""Judging single messages, wherever they come from."""
