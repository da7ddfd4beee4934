"""Documents of docs/ that are made from the specification and from the cases: a table stands there once."""
