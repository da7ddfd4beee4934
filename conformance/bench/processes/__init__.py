"""Programs that the kit starts, and that never outlive it."""
