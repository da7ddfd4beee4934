"""A dataset of messages that grows for years: Parquet, partitioned by site and day, and what is computed from it."""
