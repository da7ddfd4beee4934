"""The words of every caution before and after something moves."""

from __future__ import annotations

KEEP_CLEAR = (
    "CAUTION: keep hands and tools out of {it}, and the switch that removes motor power within reach. A message is "
    "never an emergency stop."
)


def outcome_of_hold(name: str, obeyed: bool | None, *, in_a_job: bool = False) -> str:
    """What became of a hold, in words; `obeyed` is None where it could not be sent. `in_a_job`: that goes on later."""
    if obeyed is None:
        return f"{name} could not be told to hold, and may still move."
    if not obeyed:
        return f"{name} was told to hold, and has not said that it does: it may still move."
    return (
        f"{name} is held in the middle of its job; it goes on when it is resumed."
        if in_a_job
        else f"{name} is held."
    )
