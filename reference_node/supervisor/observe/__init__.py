"""What is known of the yard: what the nodes have said, and where the boxes are."""
