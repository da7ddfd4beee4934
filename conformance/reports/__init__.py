"""The verdicts of a run: as one document, written for people and for programs, and held against an earlier one."""
