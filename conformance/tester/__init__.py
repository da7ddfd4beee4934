"""Runs the cases of the suite over a bench, and keeps what stands behind each verdict."""
