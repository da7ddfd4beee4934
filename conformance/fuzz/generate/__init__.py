"""What is sent: payloads and sequences of orders, from the schemas and the tables."""
