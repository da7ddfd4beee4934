"""Measuring a crane over a track with the machine itself: the supervisor that does it, and the course of it."""
