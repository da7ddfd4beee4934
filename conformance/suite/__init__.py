"""What is asked of an implementation: cases, verdicts, and what a case can do. Pure."""
