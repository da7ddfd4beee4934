"""Where the arming sensor may sit."""
