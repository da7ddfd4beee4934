"""What changed between two versions of the specification, and whom it breaks."""
