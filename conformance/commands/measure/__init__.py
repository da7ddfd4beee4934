"""`yardwire measure`: the table of a crane over a track, the budget of a landing, the place of the arming sensor."""
