"""Scenarios: a yard, goals, what happens meanwhile, and what is expected. The same on virtual time and on a broker."""
