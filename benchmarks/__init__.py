"""Speeds, each as a ratio to a named baseline of the same run."""
