"""Bugs of firmware's usual kind, each a few words changed in a copy of the core, and what shows it.

They are no part of the core: a board that takes it has none of these behind a switch.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tests.firmware.board import CORE
from tests.firmware.planted import PlantedBug


@dataclass(frozen=True, slots=True)
class Bug(PlantedBug):
    """One of the core, shown by a node of `role`."""

    role: str = "crane"


def planted(bug: Bug, folder: Path) -> Path:
    """A copy of the core with the bug in it."""
    return bug.in_a_copy(CORE, folder / "core", "src")


BY_THE_SUITE = {
    "deadline-with-less": Bug(
        "a deadline beyond the wrap is compared with <",
        "yw_desk.h",
        "(int32_t)(yw_uptime() - yw_deadline(order)) > 0",
        "yw_uptime() > yw_deadline(order)",
        "orders-late-across-wrap",
    ),
    "late-job-with-less": Bug(
        "an accepted job is late by <, right across the wrap",
        "yw_loop.h",
        "(int32_t)(yw_uptime() - yw.job.deadline) > 0",
        "yw_uptime() > yw.job.deadline",
        "orders-late-start",
    ),
    "counts-in-two-places": Bug(
        "seq is counted where it is said and where it is sent",
        "yw_say.h",
        "        yw.said_ms[message] = (uint16_t)yw.now_ms;",
        "        yw.said_ms[message] = (uint16_t)yw.now_ms;\n        ++yw.seq[message];",
        "messages-seq",
    ),
    "hold-counted-once": Bug(
        "a hold that already stands is not counted",
        "yw_obey.h",
        "    ++yw.holds;\n    yw_changed(YW_SAY_ROLE);\n    if (!yw_flag.held) {",
        "    yw_changed(YW_SAY_ROLE);\n    if (!yw_flag.held) {\n        ++yw.holds;",
        "hold-counts",
    ),
    "resume-of-any-hold": Bug(
        "a resume lifts a hold that it never saw",
        "yw_desk.h",
        "(yw_holds(order) != yw.holds)",
        "(yw.holds == 0)",
        "hold-wrong-count",
    ),
    "mark-of-another-boot": Bug(
        "the mark is raised before the boot is looked at",
        "yw_desk.h",
        "    if (act == YW_ACT_ASK) {",
        "    if (act > YW_ACT_HOLD) {\n        yw_raise_mark(yw_id(order));\n    }\n    if (act == YW_ACT_ASK) {",
        "orders-wrong-boot",
    ),
    "repeat-is-stale": Bug(
        "the last job is forgotten when it has ended",
        "yw_desk.h",
        "(yw.job.id != 0) && (yw_id(order) == yw.job.id)",
        "yw_job_open() && (yw_id(order) == yw.job.id)",
        "orders-repeat",
    ),
    "tail-overlooked": Bug(
        "bytes behind the map are overlooked",
        "yw_order.h",
        "return reader.left == 0; /* [ENC-12] */",
        "return true;",
        "encoding-tails",
    ),
    "half-an-order": Bug(
        "an order that lacks a field is taken with a nought in its place",
        "yw_order.h",
        " || (order->has & needed) != needed) {",
        " || !needed) {",
        "encoding-unreadable",
    ),
    "flood-of-faults": Bug(
        "every unreadable order is a fault",
        "yw_loop.h",
        "if (yw_flag.bad_waits && !yw_flag.bad_lately) {",
        "if (yw_flag.bad_waits) {",
        "encoding-flood",
    ),
    "cancel-in-the-air": Bug(
        "a cancel drops what has been picked",
        "yw_obey.h",
        "yw_job_open() && !yw.job.past_return",
        "yw_job_open()",
        "crane-cancel-too-late",
    ),
    "will-of-the-last-link": Bug(
        "the will is made once, and says the connection before",
        "yw_loop.h",
        "yw_put_off(payload, (uint16_t)(yw.link + 1U))",
        "yw_put_off(payload, yw.link)",
        "link-will",
    ),
    "power-comes-and-goes-on": Bug(
        "a halt leaves the job open, to go on when the power is back",
        "yw_job.h",
        "        yw_job_is(YW_JOB_STATE_FAILED);\n",
        "",
        "crane-box-in-the-air",
    ),
    "slot-one-too-far": Bug(
        "a slot is compared with <=",
        "yw_crane.h",
        "order->number[slot] >= yw_place_figure(where->place, slots)",
        "order->number[slot] > yw_place_figure(where->place, slots)",
        "crane-place",
    ),
    "table-goes-on": Bug(
        "a reading beyond the table goes on along its last line",
        "yw_places.h",
        "reading <= yw_point(place, (uint8_t)(points - 1), 0)",
        "reading <= 2 * yw_point(place, (uint8_t)(points - 1), 0)",
        "crane-outside-table",
        "track",
    ),
    "reach-of-one-axis": Bug(
        "the limits of the first axis are those of all",
        "yw_crane.h",
        "!yw_reaches(axis, order->target[axis])",
        "!yw_reaches(0, order->target[axis])",
        "crane-reach",
    ),
    "bounce-counts": Bug(
        "a level is believed at once",
        "yw_inputs.h",
        "stood_ms >= YW_DEBOUNCE_MS",
        "stood_ms + 1U > 0",
        "berth-bounce",
        "berth",
    ),
    "empty-by-anything": Bug(
        "any reset-fault makes the track empty",
        "yw_berth.h",
        "yw_fire(YW_EVENT_RESET_FAULT, found_empty)",
        "yw_fire(YW_EVENT_RESET_FAULT, true || found_empty)",
        "berth-found-empty",
        "berth",
    ),
    "armed-time-in-8-bits": Bug(
        "a time is kept in a signed byte",
        "yw_berth.h",
        "(uint16_t)(yw_berth.end_at - yw_berth.armed_at)",
        "(uint16_t)(int8_t)(yw_berth.end_at - yw_berth.armed_at)",
        "berth-times-arrival",
        "berth",
    ),
    "pushed-and-still-there": Bug(
        "who was pushed stays at its place",
        "yw_machine.h",
        "if (!lines || (int32_t)(yw.now_ms - yw.settled_ms) < 0) {",
        "if (lines < YW_NO_WORD) {",
        "shuttle-pushed",
        "shuttle",
    ),
    "same-stop-twice": Bug(
        "a run to where it stands is no stop",
        "yw_shuttle.h",
        "        yw_stand_at(yw_shuttle.target);",
        "        yw_shuttle.stop = (uint16_t)(yw_shuttle.stop - (yw_shuttle.passed == yw_shuttle.target));\n"
        "        yw_stand_at(yw_shuttle.target);",
        "shuttle-runs",
        "shuttle",
    ),
    "ask-that-forgets-state": Bug(
        "an ask says only what has changed",
        "yw_say.h",
        "    yw_untold = YW_BIT(YW_SAY_REPORT) - 1U;\n",
        "    yw_untold |= YW_BIT(YW_SAY_NODE);\n",
        "orders-ask",
    ),
}
"""By the case that has to speak against it."""

DIES = {
    "hold-that-moves": Bug(
        "a hold stops what comes next, not what moves",
        "yw_crane.h",
        "    yw_crane.held_ms = yw.now_ms;\n    yw_brake_all();",
        "    yw_crane.held_ms = yw.now_ms;",
    ),
    "homed-without-power": Bug(
        "a loss of motor power leaves the positions known",
        "yw_axes.h",
        "state->homed = state->is_on = false;",
        "state->is_on = false;",
    ),
    "ready-while-it-brakes": Bug(
        "a cancelled job is over before its axes stand",
        "yw_crane.h",
        "    if (yw_moving()) {\n        return false;\n    }\n    yw_crane.braking",
        "    yw_crane.braking",
    ),
    "payload-after-its-time": Bug(
        "the label of a box stays in the receive buffer, and the next order overwrites it",
        "yw_state.h",
        "    char box[YW_BOX_LENGTH];\n",
        "    const char *box;\n",
    ),
    "buffer-too-small": Bug(
        "the payload runs into the stack",
        "yw_say.h",
        "uint8_t payload[YW_PAYLOAD_ROOM];",
        "uint8_t payload[YW_PAYLOAD_ROOM / 2];",
    ),
    "length-in-8-bits": Bug(
        "a length of 257 is 1",
        "yw_cbor_read.h",
        "head->value > yw_left_in(reader)) {\n        return NULL;",
        "(uint8_t)head->value > yw_left_in(reader)) {\n        return NULL;",
    ),
    "nesting-without-end": Bug(
        "it follows nesting as deep as it goes", "yw_cbor_read.h", "level == levels + YW_INNER_DEPTH || ", ""
    ),
    "played-past-the-end": Bug(
        "one input more than there is room for",
        "yw_inputs.h",
        "yw.played_count == YW_PLAYED_MOST",
        "yw.played_count > YW_PLAYED_MOST",
    ),
}
"""What the sanitizers or the invariants of the fuzz target stop."""

DIES_IN_JSON = {
    "json-depth-without-end": Bug(
        "it follows nesting in JSON as deep as it goes",
        "yw_json_read.h",
        "if (depth == YW_INNER_DEPTH) {",
        "if (depth == UINT8_MAX) {",
    ),
    "label-past-its-room": Bug(
        "a label of any length is copied", "yw_json_read.h", "length == most || code >= 0x80", "code >= 0x80"
    ),
    "array-past-its-room": Bug(
        "an array of any length is copied",
        "yw_json_read.h",
        "if (count++ == most || !(words",
        "if (count++ == UINT8_MAX || !(words",
    ),
    "field-again-and-again": Bug(
        "a field is written as often as it comes",
        "yw_json_read.h",
        "return yw_json_is_new(begin, &name) && yw_json_next(reader, ':');",
        "return (*key != YW_NO_WORD || yw_json_is_new(begin, &name)) && yw_json_next(reader, ':');",
    ),
    "json-room-of-cbor": Bug(
        "what is said in JSON gets the room of CBOR",
        "yw_json_write.h",
        "uint8_t json[YW_JSON_ROOM];",
        "uint8_t json[YW_SIZE_NODE_STATUS_CBOR];",
    ),
    "comma-for-a-brace": Bug("the last comma stays", "yw_json_write.h", "at[-1] = '}';", "*at++ = '}';"),
}
"""The same of a crane in JSON."""

READS_WRONG = {
    "comma-behind-the-last": Bug(
        "a comma behind the last member is taken",
        "yw_json_read.h",
        "    } while (yw_json_next(&reader, ','));",
        "    } while (yw_json_next(&reader, ',') && yw_json_mark(&reader) != '}');",
    ),
    "nought-in-front": Bug(
        "a nought in front of a number is taken",
        "yw_json_read.h",
        "digit <= 9 && !is_nought",
        "digit <= 9 && (true || !is_nought)",
    ),
    "json-tail-overlooked": Bug(
        "what stands behind the object is overlooked",
        "yw_json_read.h",
        "return ended && reader.left == 0; /* [ENC-12] */",
        "return ended;",
    ),
    "number-wraps": Bug(
        "a number beyond 32 bits wraps",
        "yw_json_read.h",
        "!yw_json_number(reader, &head) || head.is_huge",
        "!yw_json_number(reader, &head)",
    ),
    "word-of-a-number": Bug(
        "the integer of a word is taken for the word",
        "yw_json_read.h",
        "uint8_t word = yw_json_next(reader, '\"') ?",
        "if (yw_json_mark(reader) != '\"') {\n        return yw_json_put_number(reader);\n    }\n"
        "    uint8_t word = yw_json_next(reader, '\"') ?",
    ),
    "half-of-a-pair": Bug(
        "half of a surrogate pair is a character",
        "yw_json_read.h",
        "return code == '\"' && !half;",
        "return code == '\"';",
    ),
    "double-name-below": Bug(
        "only the outermost object is looked at for names that come twice",
        "yw_json_read.h",
        "!yw_json_name(reader, begin[depth - 1], &key)",
        "!yw_json_name(reader, *reader, &key)",
    ),
}
"""What the reader of JSON takes and must not."""

ON_THE_LINE = {
    "no-escape": Bug(
        "0x7D is sent as it is", "yw_line.h", "byte == YW_FLAG || byte == YW_ESCAPE", "byte == YW_FLAG"
    ),
    "frame-across-two-reads": Bug(
        "a frame has to come in one read",
        "yw_line.h",
        "    yw_tick();\n    if (yw_flag.online",
        "    yw_tick();\n    yw_line.inside = false;\n    if (yw_flag.online",
    ),
    "check-not-looked-at": Bug(
        "the FCS is computed and not compared",
        "yw_line.h",
        "yw_line.fcs == YW_FCS_GOOD",
        "(yw_line.fcs == YW_FCS_GOOD || size)",
    ),
    "order-of-a-dead-line": Bug(
        "an order is obeyed while the bus is away", "yw_line.h", "!yw_flag.online ? YW_OFF_THE_BUS : ", ""
    ),
}

ON_THE_CHIP = {
    "deaf-while-it-speaks": Bug(
        "what comes while a byte is sent is not taken",
        "../avr/board.c",
        "    loop_until_bit_is_set(UCSR0A, UDRE0);\n    UDR0 = byte;\n",
        "    UCSR0B = 1 << RXEN0 | 1 << TXEN0;\n    loop_until_bit_is_set(UCSR0A, UDRE0);\n    UDR0 = byte;\n"
        "    loop_until_bit_is_set(UCSR0A, UDRE0);\n    UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;\n",
        "orders-in-order",
    ),
    "watchdog-of-an-idle-loop": Bug(
        "the watchdog is shorter than what the node says at once",
        "../avr/board.c",
        "wdt_enable(WDTO_2S)",
        "wdt_enable(WDTO_15MS)",
        "orders-in-order",
    ),
}
"""What only the image on its chip can show, by the case that speaks against it in the simulator."""

IN_ITS_CELLS = {
    "half-written": Bug(
        "one record, over and over",
        "yw_boot.h",
        "yw_boot_write(second_is_newer ? 0 : 1, boot)",
        "yw_boot_write(0, boot)",
    ),
    "old-number-again": Bug(
        "the number is read and not counted up",
        "yw_boot.h",
        "yw_entropy() : boot + 1U",
        "yw_entropy() : boot + 0U",
    ),
}
