"""The `yardwire` command line: the only code that knows both the kit and the reference node."""
