"""A recording published again."""
