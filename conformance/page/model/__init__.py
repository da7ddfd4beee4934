"""What the page knows of a bus. Pure: messages and times come in as arguments."""
