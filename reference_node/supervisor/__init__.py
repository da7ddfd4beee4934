"""The reference supervisor: pure logic, a participant of the bus like every other. It is a line of four parts.

observe: sessions with the nodes, the inventory of boxes, and one picture made of both. plan: from goals to the next
job. check: the rules before anything moves. send: orders, holds, the supervisor's own messages. Beside the line stand
questions, for what only a person can tell, and person, for what is asked for by hand.
"""
