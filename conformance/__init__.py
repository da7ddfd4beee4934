"""The kit: conformance cases, the bench they run on, and the `yardwire` command."""
