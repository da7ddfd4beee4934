/* Reads a CBOR map of one order: what RFC 8949 calls well-formed, and within the ranges of the schemas. */
#include "order.h"

#include <string.h>

#include "yardwire.h"

#if defined(BUG_LENGTH_OF_16_BITS)
typedef uint16_t length_t;
#else
typedef uint64_t length_t;
#endif

struct reader {
    const uint8_t *at, *end;
};

enum { BOX_MOST = 12, AXES = 3, INPUTS = 10 };

enum major { UNSIGNED = 0, NEGATIVE = 1, TEXT = 3, ARRAY = 4, MAP = 5, SIMPLE = 7 };

static bool head(struct reader *reader, unsigned *major, uint64_t *value)
{
    if (reader->at == reader->end) {
        return false;
    }
    *major = *reader->at >> 5;
    unsigned more = *reader->at++ & 31;
    *value = more;
    if (more < 24) {
        return true;
    }
    if (more > 27) {
        return false; /* reserved, or an indefinite length [ENC-02] */
    }
    size_t bytes = (size_t)1 << (more - 24);
    if ((size_t)(reader->end - reader->at) < bytes) {
        return false;
    }
    for (*value = 0; bytes; --bytes) {
        *value = *value << 8 | *reader->at++;
    }
    return true;
}

/* Gives the bytes of a text of this length, or a null pointer where fewer follow. */
static const uint8_t *text(struct reader *reader, uint64_t length)
{
    const uint8_t *begin = reader->at;
    if ((length_t)length > (length_t)(reader->end - begin)) {
        return NULL;
    }
    reader->at += (length_t)length;
    return begin;
}

static bool skip(struct reader *reader, unsigned depth)
{
    unsigned major;
    uint64_t value;
#if !defined(BUG_DEEP_RECURSION)
    if (depth > YW_DEPTH_LEVELS_MOST) {
        return false; /* [ENC-12] */
    }
#else
    volatile char frame[4096]; /* what a small board has in all */
    frame[depth % sizeof frame] = 0;
#endif
    if (!head(reader, &major, &value)) {
        return false;
    }
    if (major == TEXT) {
        return text(reader, value) != NULL;
    }
    if (major == ARRAY || major == MAP) {
        for (uint64_t left = major == MAP ? 2 * value : value; left; --left) {
            if (!skip(reader, depth + 1)) {
                return false;
            }
        }
        return true;
    }
    return major == UNSIGNED || major == NEGATIVE || (major == SIMPLE && (value == 20 || value == 21));
}

static bool is_label(const uint8_t *bytes, uint64_t length)
{
    for (uint64_t i = 0; i < length; ++i) {
        uint8_t c = bytes[i];
        bool letter = (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
        if (!letter && !(c >= '0' && c <= '9') && c != '-') {
            return false;
        }
    }
    return true;
}

/* Reads a label of up to `most` bytes; `name` has room for it and a NUL, or is a null pointer. */
static bool read_label(struct reader *reader, size_t most, char *name)
{
    unsigned major;
    uint64_t length;
    if (!head(reader, &major, &length) || major != TEXT) {
        return false;
    }
    const uint8_t *begin = text(reader, length);
#if defined(BUG_STACK_TEXT)
    char copy[PLACE_ROOM];
    if (begin && name) {
        memcpy(copy, begin, length); /* longer than any name of a place ought to be */
        copy[PLACE_ROOM - 1] = 0;
        memcpy(name, copy, sizeof copy);
    }
#endif
    if (!begin || length == 0 || (length_t)length > (length_t)most || !is_label(begin, length)) {
        return false;
    }
    if (name) {
#if defined(BUG_STRCPY_OF_A_NAME)
        strcpy(name, (const char *)begin); /* a text in CBOR has no NUL behind it */
#else
        memcpy(name, begin, length);
#endif
        name[length] = 0;
    }
    return true;
}

static bool read_number(struct reader *reader, uint32_t most, uint32_t *number)
{
    unsigned major;
    uint64_t value;
    if (!head(reader, &major, &value) || major != UNSIGNED || value > most) {
        return false;
    }
    *number = (uint32_t)value;
    return true;
}

static bool read_signed(struct reader *reader)
{
    unsigned major;
    uint64_t value; /* of a negative number -1 minus this */
    return head(reader, &major, &value) && (major == UNSIGNED || major == NEGATIVE) && value <= INT16_MAX;
}

static bool read_array(struct reader *reader, uint64_t most, uint64_t *count)
{
    unsigned major;
    return head(reader, &major, count) && major == ARRAY && *count >= 1 && *count <= most;
}

static bool read_input(struct reader *reader)
{
    unsigned major;
    uint64_t count, level;
    uint32_t sensor, delay;
    return read_array(reader, 3, &count) && count == 3 && read_number(reader, YW_SENSOR_STOP_4, &sensor) &&
           head(reader, &major, &level) && major == SIMPLE && (level == 20 || level == 21) &&
           read_number(reader, UINT16_MAX, &delay);
}

/* Reads an array of one to `most` entries, each by `entry`. */
static bool read_all(struct reader *reader, uint64_t most, bool (*entry)(struct reader *))
{
    uint64_t left;
    if (!read_array(reader, most, &left)) {
        return false;
    }
    while (left && entry(reader)) {
        --left;
    }
    return left == 0;
}

static uint32_t most(unsigned key)
{
    switch (key) {
    case YW_KEY_JOB_ORDER_BOOT:
    case YW_KEY_JOB_ORDER_FAULTS:
    case YW_KEY_JOB_ORDER_HOLDS:
    case YW_KEY_JOB_ORDER_ARRIVAL:
    case YW_KEY_JOB_ORDER_BERTH_BOOT:
    case YW_KEY_JOB_ORDER_STOP:
    case YW_KEY_JOB_ORDER_SHUTTLE_BOOT:
        return UINT16_MAX;
    case YW_KEY_JOB_ORDER_FROM_SLOT:
    case YW_KEY_JOB_ORDER_TO_SLOT:
        return UINT8_MAX;
    case YW_KEY_JOB_ORDER_ACT:
        return YW_ACT_SET_UPTIME;
    case YW_KEY_JOB_ORDER_FOUND:
        return YW_RESET_FAULT_FOUND_BOX;
    default:
        return UINT32_MAX;
    }
}

#define BIT(key) (UINT32_C(1) << YW_KEY_JOB_ORDER_##key)
#define OWNED (BIT(ACT) | BIT(BOOT) | BIT(ID))

static const uint32_t required[] = {
    [YW_ACT_ASK] = BIT(ACT) | BIT(TOKEN),
    [YW_ACT_CLAIM] = OWNED,
    [YW_ACT_HOLD] = BIT(ACT),
    [YW_ACT_RESUME] = OWNED | BIT(HOLDS),
    [YW_ACT_CANCEL] = OWNED | BIT(REF),
    [YW_ACT_RESET_FAULT] = OWNED | BIT(FAULTS),
    [YW_ACT_TRANSFER] = OWNED | BIT(DEADLINE) | BIT(TO) | BIT(TO_SLOT) | BIT(BOX),
    [YW_ACT_HOME] = OWNED | BIT(DEADLINE),
    [YW_ACT_PARK] = OWNED | BIT(DEADLINE),
    [YW_ACT_JOG] = OWNED | BIT(DEADLINE) | BIT(TARGET),
    [YW_ACT_ADMIT] = OWNED | BIT(DEADLINE),
    [YW_ACT_DEPART] = OWNED | BIT(DEADLINE),
    [YW_ACT_RUN] = OWNED | BIT(DEADLINE) | BIT(TO),
    [YW_ACT_STIMULUS] = OWNED | BIT(INPUTS),
    [YW_ACT_SET_UPTIME] = OWNED | BIT(UPTIME),
};

#define AT_A_TRACK (BIT(READING) | BIT(ARRIVAL) | BIT(BERTH_BOOT))
#define AT_A_DECK (BIT(STOP) | BIT(SHUTTLE_BOOT))

static uint32_t fields_of(uint32_t act)
{
    switch (act) {
    case YW_ACT_RESET_FAULT:
        return required[act] | BIT(FOUND) | BIT(PLACE);
    case YW_ACT_TRANSFER:
        return required[act] | BIT(FROM) | BIT(FROM_SLOT) | AT_A_TRACK | AT_A_DECK;
    case YW_ACT_ADMIT:
        return required[act] | BIT(TRAIN);
    default:
        return required[act];
    }
}

static bool all_or_none(const struct order *order, uint32_t fields)
{
    return (order->has & fields) == 0 || (order->has & fields) == fields;
}

static bool read_field(struct order *order, struct reader *reader, unsigned key)
{
    uint32_t *number = &order->number[key];
    order->has |= UINT32_C(1) << key;
    switch (key) {
    case YW_KEY_JOB_ORDER_TO:
    case YW_KEY_JOB_ORDER_PLACE:
        return read_label(reader, PLACE_ROOM - 1, order->place);
    case YW_KEY_JOB_ORDER_FROM:
    case YW_KEY_JOB_ORDER_TRAIN:
        return read_label(reader, PLACE_ROOM - 1, NULL);
    case YW_KEY_JOB_ORDER_BOX:
        return read_label(reader, BOX_MOST, NULL);
    case YW_KEY_JOB_ORDER_READING:
        return read_signed(reader);
    case YW_KEY_JOB_ORDER_TARGET:
        return read_all(reader, AXES, read_signed);
    case YW_KEY_JOB_ORDER_INPUTS:
        return read_all(reader, INPUTS, read_input);
    case YW_KEY_JOB_ORDER_ID:
    case YW_KEY_JOB_ORDER_REF:
        return read_number(reader, UINT32_MAX, number) && *number > 0;
    default:
        return read_number(reader, most(key), number);
    }
}

/* Reads the fields of `wanted` and passes over all others [ENC-09]. */
static bool read_map(struct order *order, struct reader reader, uint32_t wanted)
{
    unsigned major;
    uint64_t pairs, key;
    uint32_t seen = 0;
    memset(order, 0, sizeof *order);
    if (!head(&reader, &major, &pairs) || major != MAP) {
        return false;
    }
    for (; pairs; --pairs) {
        if (!head(&reader, &major, &key) || major != UNSIGNED || (key < 32 && seen >> key & 1)) {
            return false;
        }
        seen |= key < 32 ? UINT32_C(1) << key : 0;
#if defined(BUG_TABLE_OF_FIELDS)
        static uint8_t times[24];
        if (++times[key] == 0) { /* a field of a newer sender lies behind the table */
            return false;
        }
#endif
        bool is_wanted = key < 32 && (wanted >> key & 1);
        if (is_wanted ? !read_field(order, &reader, (unsigned)key) : !skip(&reader, 2)) {
            return false;
        }
    }
#if !defined(BUG_TRAILING_BYTES)
    if (reader.at != reader.end) {
        return false; /* [ENC-12] */
    }
#endif
    return true;
}

bool order_read(struct order *order, const uint8_t *bytes, size_t length)
{
    const struct reader reader = {bytes, bytes + length};
    if (!read_map(order, reader, BIT(ACT)) || !order_has(order, YW_KEY_JOB_ORDER_ACT)) {
        return false;
    }
    uint32_t act = order->number[YW_KEY_JOB_ORDER_ACT];
    return read_map(order, reader, fields_of(act)) && (order->has & required[act]) == required[act] &&
           all_or_none(order, BIT(FROM) | BIT(FROM_SLOT)) && all_or_none(order, AT_A_TRACK) &&
           all_or_none(order, AT_A_DECK);
}
