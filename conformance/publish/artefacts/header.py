"""A C header (C99) for firmware: constants, topic builders, transition tables. No allocation, no library."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from conformance.publish.artefacts import names
from protocol.specification import Specification, TopicRule

_HEAD = """\
/* Yardwire protocol version {major}.{minor}: constants for firmware in C99.
 * Made from the specification; do not edit.
 *
 * Define YARDWIRE_TABLES before including it for the transition tables, YARDWIRE_WORDS for the words that JSON
 * carries. On AVR both stay in flash: read them with memcpy_P, pgm_read_byte and pgm_read_ptr.
 */
#ifndef YARDWIRE_H
#define YARDWIRE_H

#include <stddef.h>
#include <stdint.h>

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define YW_FLASH PROGMEM
#else
#define YW_FLASH
#endif
"""

_FUNCTIONS = """\
/* Milliseconds left until `deadline`, below 0 when it has passed, right across the wrap [ORD-10, ORD-11]. */
static inline int32_t yw_left(uint32_t deadline, uint32_t uptime)
{
    return (int32_t)(deadline - uptime);
}

/* Builds a topic out of parts that end with a null pointer. Returns its length, or 0 where it does not fit. */
static inline size_t yw_join(char *out, size_t size, const char *const *parts)
{
    size_t at = 0;
    for (; *parts; ++parts) {
        const char *part = *parts;
        while (*part) {
            if (at + 1 >= size) {
                return 0;
            }
            out[at++] = *part++;
        }
    }
    if (at >= size) {
        return 0;
    }
    out[at] = 0;
    return at;
}
"""


def header(spec: Specification) -> str:
    """The text of yardwire.h."""
    parts = [
        _HEAD.format(major=spec.major, minor=spec.minor),
        "\n".join(_constants(spec)),
        _FUNCTIONS,
        "\n".join(_builder(rule) for rule in spec.topics.values()),
        "#if defined(YARDWIRE_WORDS)\n" + "\n".join(_words(spec)) + "\n#endif\n",
        "#if defined(YARDWIRE_TABLES)\n" + "\n".join(_tables(spec)) + "\n#endif\n",
        "#endif\n",
    ]
    return "\n".join(parts)


def macro(*parts: str) -> str:
    """The name of a constant."""
    return re.sub("[^A-Z0-9]+", "_", "_".join(("yw", *parts)).upper())


def _constants(spec: Specification) -> Iterator[str]:
    yield f"#define YW_MAJOR {spec.major}\n#define YW_MINOR {spec.minor}"
    yield f'#define YW_ROOT "{spec.root}"\n#define YW_EVERYONE "{spec.everyone}"\n'
    yield "/* CBOR keys. */"
    for message, found in names.keys(spec).items():
        yield from (f"#define {macro('key', message, name)} {key}" for name, key in found.items())
    yield "\n/* Words: their integers in CBOR. */"
    for kind, found_words in names.words(spec).items():
        yield _enum(kind, found_words)
    yield "\n/* Longest payloads in bytes, without the topic. */"
    yield from (f"#define {macro('size', name)} {size}" for name, size in names.sizes().items())
    yield "\n/* Serial line: kinds of frame, keys and words of 'here' and 'bus'. */"
    yield from (f"#define {macro('line', kind.name)} {kind.number:#04x}" for kind in spec.line_kinds.values())
    yield from (f"#define {macro('line_key', one.name)} {one.key}" for one in spec.line_fields.values())
    yield from (_enum(f"line_{one.name}", one.words) for one in spec.line_fields.values() if one.words)
    yield "\n/* Times and limits. */"
    yield from (
        f"#define {macro(name)} {value}{_suffix(value)}" for name, value in names.figures(spec).items()
    )
    yield ""


def _suffix(value: float) -> str:
    # An int of AVR has 16 bits; without the suffix the sum of two times would overflow.
    return "UL" if isinstance(value, int) and value > 0x7FFF // 2 else ""


def _enum(kind: str, found: Iterable[str]) -> str:
    lines = ",\n".join(f"    {macro(kind, word)} = {number}" for number, word in enumerate(found))
    return f"enum {macro(kind).lower()} {{\n{lines}\n}};"


def _builder(rule: TopicRule) -> str:
    """A function that builds the topic of one message."""
    labels = re.findall(r"\{(\w+)\}", rule.pattern)
    pieces = [piece for piece in re.split(r"(\{\w+\})", rule.pattern) if piece]
    listed = ", ".join(piece[1:-1] if piece.startswith("{") else f'"{piece}"' for piece in pieces)
    arguments = ", ".join(f"const char *{label}" for label in labels)
    name = f"yw_topic_{rule.message.replace('-', '_')}"
    return (
        f"static inline size_t {name}(char *out, size_t size, {arguments})\n{{\n"
        f"    const char *const parts[] = {{{listed}, NULL}};\n"
        f"    return yw_join(out, size, parts);\n}}\n"
    )


def _words(spec: Specification) -> Iterator[str]:
    for kind, found in names.words(spec).items():
        longest = max(map(len, found)) + 1
        listed = ", ".join(f'"{word}"' for word in found)
        yield (
            f"static const char {macro(kind).lower()}_words[{len(found)}][{longest}] YW_FLASH = {{{listed}}};"
        )
    levels = ", ".join(macro("level", spec.fault_level(code)) for code in spec.words("fault_code"))
    yield f"static const uint8_t yw_fault_code_level[] YW_FLASH = {{{levels}}};"


def _tables(spec: Specification) -> Iterator[str]:
    yield (
        "/* `sends` has one bit for each word; guard 0 is no guard. */\n"
        "struct yw_transition {\n    uint8_t state, event, guard, next, sends;\n};\n"
    )
    for numbers in names.tables(spec):
        name = numbers.table.name
        yield f"/* {numbers.table.title} */"
        yield _enum(f"{name}_table_state", numbers.table.states)
        yield _enum(f"{name}_table_event", numbers.events)
        yield _enum(f"{name}_table_guard", ["always", *numbers.guards[1:]])
        bits = ",\n".join(
            f"    {macro(name, 'table_sends', word)} = {1 << bit}" for bit, word in enumerate(numbers.sends)
        )
        yield f"enum yw_{name}_table_sends {{\n{bits}\n}};"
        yield f"#define {macro(name, 'table_initial')} {numbers.table.states.index(numbers.table.initial)}"
        rows = ",\n".join("    {" + ", ".join(map(str, row)) + "}" for row in numbers.rows)
        yield f"static const struct yw_transition yw_{name}_table[] YW_FLASH = {{\n{rows}\n}};\n"
    yield "/* The checks of an order, in their order: the first that holds decides. */"
    yield _enum("check", [check.name for check in spec.order_checks])
