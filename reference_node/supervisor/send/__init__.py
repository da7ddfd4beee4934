"""What goes out: orders, holds, the supervisor's own messages, and what becomes of them when the bus falls."""
