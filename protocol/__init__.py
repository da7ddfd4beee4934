"""The specification of the protocol as data (`v1/`), and code that knows nothing but it."""
