"""The cases for supervisors, among simulated nodes."""
