"""The one job that a node has, or the last one of this boot."""


class Job:
    """A job under the id of its order. `past_return`: something may have been picked, or has moved [ORD-17]."""

    def __init__(self, order: dict) -> None:
        self.id = order["id"]
        self.act = order["act"]
        self.deadline = order["deadline"]
        self.box = order.get("box", "")
        self.state = "accepted"
        self.step = ""
        self.reason = ""
        self.past_return = False

    def is_open(self) -> bool:
        """Whether it has not ended."""
        return self.state in ("accepted", "running")
