"""An order as it came: a dictionary of its fields, words as words in either encoding."""

from . import cbor, strict_json
from .tables import ACT, ORDER_ACTS, ORDER_FIELDS, TOGETHER

ACT_KEY = 2
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-"


def read_order(payload: bytes, reads: str = "both") -> dict | None:
    """The fields of an order, or None where it cannot be read; half an order is none [ENC-10].

    `reads` is json, cbor or both, as the site file has it.
    """
    is_json = payload[:1] == b"{"
    if reads != "both" and is_json != (reads == "json"):
        return None
    try:
        return _order(strict_json.read(payload) if is_json else cbor.read(payload), is_json)
    except cbor.Unreadable:
        return None


def _order(found: dict, is_json: bool) -> dict:
    """The fields that the act takes; all others are passed over [ENC-09]."""
    act = _word(found.get("act" if is_json else ACT_KEY), ACT, is_json)
    needs, takes = ORDER_ACTS[act]
    order, has = {}, 0
    for key, (name, kind, limit) in enumerate(ORDER_FIELDS):
        field = name if is_json else key
        if takes >> key & 1 and field in found:
            order[name] = _field(found[field], kind, limit, is_json)
            has |= 1 << key
    if has & needs != needs:
        raise cbor.Unreadable
    for group in TOGETHER:
        if has & group not in (0, group):
            raise cbor.Unreadable
    return order


def _field(value, kind: str, limit, is_json: bool):
    """The value of a field within its range. Raises Unreadable."""
    if kind == "number":
        return _number(value, limit[0], limit[1])
    if kind == "word":
        return _word(value, limit, is_json)
    if kind == "label":
        return _label(value, limit)
    if not isinstance(value, list) or not 1 <= len(value) <= limit[-1]:
        raise cbor.Unreadable
    if kind == "target":
        return [_number(part, limit[0], limit[1]) for part in value]
    return [_input(part, limit[0], is_json) for part in value]


def _number(value, least: int, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise cbor.Unreadable
    return value


def _word(value, words: tuple, is_json: bool) -> str:
    if is_json:
        if not isinstance(value, str) or value not in words:
            raise cbor.Unreadable
        return value
    return words[_number(value, 0, len(words) - 1)]


def _label(value, most: int) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= most:
        raise cbor.Unreadable
    for letter in value:
        if letter not in LETTERS:
            raise cbor.Unreadable
    return value


def _input(value, sensors: tuple, is_json: bool) -> tuple:
    """One entry of a stimulus: sensor, level, delay."""
    if not isinstance(value, list) or len(value) != 3 or not isinstance(value[1], bool):
        raise cbor.Unreadable
    return _word(value[0], sensors, is_json), value[1], _number(value[2], 0, 0xFFFF)
