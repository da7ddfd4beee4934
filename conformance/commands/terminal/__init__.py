"""The terminal: what is printed, how a command is stopped, and what a failed thread does."""
