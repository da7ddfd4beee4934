"""What is wrong with a node now, and what changed last."""

from .tables import FAULT_LEVELS, FAULTS


class Faults:
    """The faults of a node. `count` is of those of level halt in this boot, in 16 bits [FLT-02]."""

    def __init__(self, node) -> None:
        self._node = node
        self._active: list = []
        self.count = 0
        self.changed = ""
        self.part = ""
        self.job = 0

    def active(self) -> list:
        """Those that stand, in the order of their words."""
        return [code for code in FAULTS if code in self._active]

    def has_halt(self) -> bool:
        """Whether one of them keeps the machine from working."""
        return any(FAULT_LEVELS[code] == "halt" for code in self._active)

    def _changes(self, code: str, part: str = "", job: int = 0) -> None:
        self.changed, self.part, self.job = code, part, job
        self._node.speaker.changed("fault")

    def _add(self, code: str) -> None:
        if code not in self._active:
            self._active.append(code)

    def warn(self, code: str) -> None:
        """A fault of level warn neither ends a job nor counts [FLT-03]."""
        self._add(code)
        self._changes(code)
        self._node.speaker.say("fault")

    def clear(self, code: str) -> None:
        """The fault stands no more."""
        if code in self._active:
            self._active.remove(code)
            self._changes(code)

    def halt(self, code: str, part: str = "") -> None:
        """A fault of level halt: the job fails, the machine stops, the fault is counted [FLT-02]."""
        node = self._node
        job = node.job if node.job is not None and node.job.is_open() else None
        self._add(code)
        self.count = (self.count + 1) & 0xFFFF
        self._changes(code, part, job.id if job is not None else 0)
        node.role.halt()
        node.speaker.say("fault")
        if job is not None:
            job.reason = "fault"
            node.job_is("failed")
            node.report_job()
