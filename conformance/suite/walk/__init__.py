"""The machine that a node must be, as its order desk shows it, derived from the tables, and a way through all of it."""
