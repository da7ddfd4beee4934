"""A recording for people: tables, stories, figures, files for other tools."""
