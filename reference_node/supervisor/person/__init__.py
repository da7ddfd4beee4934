"""A person at the supervisor's side: what is asked for by hand, checked by every rule."""
