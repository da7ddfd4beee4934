"""What a bad line does to bytes: flips, loses, adds and cuts them off, puts noise in between, or has a wrong rate."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random


@dataclass(slots=True)
class BadLine:
    """How bad a line is, as probabilities a byte. All chance comes from `rng`."""

    rng: Random
    flip: float = 0.0
    """One of its bits is flipped."""
    lose: float = 0.0
    insert: float = 0.0
    """Some byte comes before it."""
    noise: float = 0.0
    """A burst of up to 40 random bytes comes before it."""
    cut: float = 0.0
    """It and the rest of what was sent at once are gone."""
    wrong_rate: bool = False
    """The two ends do not agree on the rate: nothing of what was sent comes as it was."""
    damaged: int = field(default=0, init=False)
    """How often something was done."""
    passed: int = field(default=0, init=False)
    """Bytes that were sent."""

    def __call__(self, data: bytes) -> bytes:
        """What comes of the bytes that were sent."""
        self.passed += len(data)
        if self.wrong_rate:
            self.damaged += 1
            return self.rng.randbytes(max(1, len(data) // 2))
        passed = bytearray()
        for octet in data:
            if self._happens(self.cut):
                break
            if self._happens(self.noise):
                passed += self.rng.randbytes(self.rng.randint(1, 40))
            if self._happens(self.insert):
                passed.append(self.rng.randrange(256))
            if self._happens(self.lose):
                continue
            passed.append(octet ^ 1 << self.rng.randrange(8) if self._happens(self.flip) else octet)
        return bytes(passed)

    def _happens(self, probability: float) -> bool:
        happens = probability > 0 and self.rng.random() < probability
        self.damaged += happens
        return happens
