"""Files for other tools and for firmware."""
