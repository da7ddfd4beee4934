"""`yardwire runs`: what runs there are in recordings, and what is said of them."""
