"""What is known of a node or a supervisor under test from what happened, and what follows from it. Pure."""
