"""A payload in either encoding, told apart by its first byte [ENC-01]."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from protocol.codec.cbor_bytes import decode_cbor, encode_cbor
from protocol.codec.json_text import decode_json, encode_json
from protocol.codec.shape import shape_for
from protocol.codec.value import Value, depth_of
from protocol.codec.words import NotEncodable, to_numbers, to_words
from protocol.finding import Finding, Flaw, Path, spell
from protocol.site import Encoding
from protocol.specification import specification

BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_CBOR_MAP = range(0xA0, 0xC0)
_PLAIN = (int, str, bool)


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a payload says, in names and words; `body` is None where it could not be followed to its end."""

    body: dict[str | int, Value] | None
    encoding: Encoding | None
    flaws: tuple[Flaw, ...] = ()
    bytes: Mapping[Path, int] = field(default_factory=dict)
    """Where the value of each path starts, as far as known."""

    @property
    def readable(self) -> bool:
        """Whether a receiver that overlooks what may be overlooked can read it."""
        return self.body is not None and all(flaw.forgiven for flaw in self.flaws)


def encode(message: str, body: Mapping[Any, Value], encoding: Encoding) -> bytes:
    """The payload of `message` with `body` in words. The same body gives the same bytes [ENC-02, ENC-03].

    The body is not judged: a range that is broken is written as it is. An integer in the place of a name or a
    word, which a later version might say, goes through in CBOR. Raises KeyError for an unknown message, and
    NotEncodable for what has no place in the encoding or the model: floats, null, unknown words in CBOR, more
    depth than limits.toml allows.
    """
    most = specification().most("depth")
    shape_for(message, None)
    if not _is_known(body, most):
        if depth_of(body) > most:
            raise NotEncodable(f"nested deeper than {most}")
        _refuse_foreign(body, ())
    if encoding is Encoding.CBOR:
        return encode_cbor(to_numbers(message, body))
    return encode_json(body)


def _is_known(value: Value, levels: int) -> bool:
    """Whether it is beyond doubt of the model and no deeper than so many levels; what is wrong is not said."""
    if value.__class__ in _PLAIN:
        return True
    if levels == 0 or not isinstance(value, (Mapping, list, tuple)):
        return False
    parts = value.values() if isinstance(value, Mapping) else value
    return all(part.__class__ in _PLAIN or _is_known(part, levels - 1) for part in parts)


def _refuse_foreign(value: Value, path: Path) -> None:
    if isinstance(value, Mapping):
        for key, part in value.items():
            _refuse_foreign(part, (*path, key))
    elif isinstance(value, (list, tuple)):
        for position, part in enumerate(value):
            _refuse_foreign(part, (*path, position))
    elif not isinstance(value, (bool, int, str)):
        raise NotEncodable(f"{spell(path)} is of type {type(value).__name__}, which the protocol has not")


def decode(message: str, payload: bytes, *, locate: bool = False) -> Decoded:
    """Everything that `payload` says and everything that is wrong with how it is written.

    With `locate` the bytes where values start are told too, as far as the encoding is CBOR.
    Raises KeyError for an unknown message, and nothing for any payload.
    """
    most = specification().most("publish_yard_map")
    if not payload:
        return _refused("ENC-01", "the payload is empty", "Send one JSON object or one CBOR map")
    if len(payload) > most:
        what = f"{len(payload)} bytes, and no payload of the protocol has more than {most}"
        return _refused("ENC-07", what, "Send less; the schema says how little is needed")
    if payload.startswith(BYTE_ORDER_MARK):
        return _refused(
            "ENC-03", "a byte order mark in front", "Send the object alone, from '{' on", Encoding.JSON
        )
    if payload[0] == ord("{"):
        value, flaws = decode_json(payload)
        return Decoded(value, Encoding.JSON, tuple(flaws))
    if payload[0] in _CBOR_MAP:
        return _decode_cbor(message, payload, locate=locate)
    what = f"the first byte is {payload[0]:#04x}, which starts neither a JSON object nor a CBOR map"
    return _refused("ENC-01", what, "Start with '{' in JSON, with 0xa0 to 0xb7 in CBOR")


def _refused(requirement: str, what: str, fix: str, encoding: Encoding | None = None) -> Decoded:
    return Decoded(None, encoding, (Flaw(Finding(requirement, what, "", 0, fix)),))


def _decode_cbor(message: str, payload: bytes, *, locate: bool) -> Decoded:
    walked = decode_cbor(payload, locate=locate)
    if walked.value is None:
        return Decoded(None, Encoding.CBOR, tuple(_named(message, None, flaw) for flaw in walked.flaws))
    body, unknown_words = to_words(message, walked.value)
    flaws = [_named(message, body.get("act"), flaw) for flaw in walked.flaws]
    return Decoded(body, Encoding.CBOR, (*flaws, *unknown_words), _name_paths(message, body, walked.bytes))


def _named(message: str, act: Value, flaw: Flaw) -> Flaw:
    """The flaw with the name of its field instead of the CBOR key, where it has one."""
    path = _name_path(message, act, flaw.path)
    return replace(flaw, finding=replace(flaw.finding, where=spell(path)), path=path)


def _name_path(message: str, act: Value, path: Path) -> Path:
    if not path or not isinstance(path[0], int):
        return path
    return (shape_for(message, act).names.get(path[0], path[0]), *path[1:])


def _name_paths(message: str, body: Mapping[str | int, Value], paths: Mapping[Path, int]) -> dict[Path, int]:
    return {_name_path(message, body.get("act"), path): byte for path, byte in paths.items()}
