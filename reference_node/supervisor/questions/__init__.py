"""What only a person can tell, and what an answer does."""
