"""CBOR without tags: what cbor2 would do with one is never done.

The protocol and the recording format have no tags. With them a few bytes make an array that holds itself, or
an integer of a million digits, and the library that decodes them does not know better.
"""

from __future__ import annotations

from typing import Any, NoReturn


class _NoTag(dict[int, Any]):
    """Stands for a decoder of every tag there is."""

    def __missing__(self, tag: int) -> NoReturn:
        raise ValueError(f"the tag {tag}")


NO_TAGS = _NoTag()
"""For `semantic_decoders` of cbor2: a tag becomes a CBORDecodeError."""
