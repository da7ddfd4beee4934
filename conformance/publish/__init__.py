"""The documents and artefacts of the protocol, made from its specification alone."""
