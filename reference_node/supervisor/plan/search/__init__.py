"""The best sequence of jobs for a yard, found by search. Pure: no bus, no clock."""
