"""The documents as a static site."""
