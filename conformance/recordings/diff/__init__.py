"""What is different in behaviour between two recordings."""
