"""Runs: recordings cut where a run begins, with lasting names, facts, marks, and an index kept beside them."""
