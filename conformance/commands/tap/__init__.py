"""What commands share that look at one node through a tap."""
