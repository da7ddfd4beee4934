"""Files that people named: read within bounds, written whole or not at all."""
