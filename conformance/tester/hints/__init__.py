"""What is mostly behind a breach, told only where what was seen allows it."""
