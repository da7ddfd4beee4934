"""The page over HTTP, and the orders that come from it."""
