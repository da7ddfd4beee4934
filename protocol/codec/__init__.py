"""Payloads to the one data model and back: JSON with words, CBOR with small integers in their place."""

from __future__ import annotations

from protocol.codec.payload import Decoded, decode, encode
from protocol.codec.words import NotEncodable

__all__ = ["Decoded", "NotEncodable", "decode", "encode"]
