"""From goals to the next jobs: only what is known, no bus, no clock."""
