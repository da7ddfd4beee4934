/* Reads CBOR (RFC 8949) within the bounds of the protocol: no floats, tags, nulls, byte strings, indefinite lengths. */
#ifndef YW_CBOR_READ_H
#define YW_CBOR_READ_H

struct yw_reader {
    const uint8_t *at;
    yw_size left; /* bytes behind it */
};

/* The beginning of one value. `is_huge`: it does not fit in 32 bits. */
struct yw_head {
    uint32_t value;
    uint8_t first;
    bool is_huge;
};

enum {YW_UNSIGNED = 0, YW_NEGATIVE = 1, YW_TEXT = 3, YW_ARRAY = 4, YW_MAP = 5};
enum {YW_FALSE = 0xF4, YW_TRUE = 0xF5, YW_INNER_DEPTH = YW_DEPTH_LEVELS_MOST - 1};

static uint8_t yw_major(const struct yw_head *head)
{
    return head->first >> 5;
}

static yw_size yw_left_in(const struct yw_reader *reader)
{
    return reader->left;
}

static uint8_t yw_take(struct yw_reader *reader)
{
    --reader->left;
    return *reader->at++;
}

static bool yw_read_head(struct yw_reader *reader, struct yw_head *head)
{
    if (reader->left == 0) {
        return false;
    }
    head->first = yw_take(reader);
    uint8_t more = head->first & 31;
    head->is_huge = false;
    head->value = more;
    if (more >= 24) {
        uint8_t bytes = (uint8_t)yw_bit((uint8_t)(more - 24));
        if (more > 27 || reader->left < bytes) {
            return false;
        }
        head->value = 0;
        do {
            uint8_t byte = yw_take(reader);
            if (--bytes < 4) {
                yw_byte(head->value, bytes) = byte;
            } else if (byte) {
                head->is_huge = true;
            }
        } while (bytes);
    }
    return true;
}

/* RFC 3629: no overlong forms, no halves of a pair, nothing above U+10FFFF. */
static bool yw_is_utf8(const uint8_t *at, yw_size left)
{
    while (left) {
        uint8_t first = *at++;
        --left;
        if (first < 0x80) {
            continue;
        }
        uint8_t more = first >= 0xF0 ? 3 : first >= 0xE0 ? 2 : 1;
        uint8_t low = first == 0xE0 ? 0xA0 : first == 0xF0 ? 0x90 : 0x80;
        uint8_t high = first == 0xED ? 0x9F : first == 0xF4 ? 0x8F : 0xBF;
        if (first < 0xC2 || first > 0xF4 || left < more) {
            return false;
        }
        for (left = (yw_size)(left - more); more; --more, low = 0x80, high = 0xBF) {
            uint8_t next = *at++;
            if (next < low || next > high) {
                return false;
            }
        }
    }
    return true;
}

/* Gives the bytes of a text whose head has been read, or a null pointer where fewer follow. */
static const uint8_t *yw_read_text(struct yw_reader *reader, const struct yw_head *head)
{
    const uint8_t *begin = reader->at;
    if (yw_major(head) != YW_TEXT || head->is_huge || head->value > yw_left_in(reader)) {
        return NULL;
    }
    reader->at += (yw_size)head->value;
    reader->left = (yw_size)(reader->left - (yw_size)head->value);
    return begin;
}

/* Opens an array or a map: each entry takes a byte at least, so that no count is believed that cannot be. */
static bool yw_fits(const struct yw_reader *reader, const struct yw_head *head)
{
    return !head->is_huge && head->value <= yw_left_in(reader);
}

static bool yw_skip_plain(struct yw_reader *reader, const struct yw_head *head)
{
    uint8_t major = yw_major(head);
    if (major == YW_TEXT) {
        const uint8_t *begin = yw_read_text(reader, head);
        return begin && yw_is_utf8(begin, (yw_size)head->value);
    }
    return major == YW_UNSIGNED || major == YW_NEGATIVE || head->first == YW_FALSE || head->first == YW_TRUE;
}

/* Takes a key of a map that must not come before `least`, in bytewise order, so that none comes twice [ENC-02]. */
static bool yw_key_follows(const struct yw_head *head, uint32_t *least)
{
    uint8_t major = yw_major(head);
    if (major > YW_NEGATIVE || head->is_huge || head->value >= INT32_MAX) {
        return false;
    }
    uint32_t rank = major == YW_NEGATIVE ? head->value | UINT32_C(0x80000000) : head->value;
    bool follows = rank >= *least;
    *least = rank + 1;
    return follows;
}

/* An open array or map: its values that are left, of a map twice its pairs, and the least key that may come next. */
struct yw_nesting {
    uint32_t least;
    yw_size left;
    bool is_map;
};

/* Passes over one value inside the outermost map [ENC-09, ENC-12]. */
static bool yw_skip(struct yw_reader *reader)
{
    struct yw_nesting levels[YW_INNER_DEPTH + 1], *level = levels; /* the first stands for none */
    struct yw_head head;
    level->is_map = false;
    for (;;) {
        if (!yw_read_head(reader, &head)) {
            return false;
        }
        uint8_t major = yw_major(&head);
        if (level->is_map && level->left & 1) {
            if (!yw_key_follows(&head, &level->least)) {
                return false;
            }
        } else if (major == YW_ARRAY || major == YW_MAP) {
            if (level == levels + YW_INNER_DEPTH || !yw_fits(reader, &head)) {
                return false;
            }
            ++level;
            level->is_map = major == YW_MAP;
            level->least = 0;
            level->left = (yw_size)(level->is_map ? 2 * head.value : head.value);
        } else if (!yw_skip_plain(reader, &head)) {
            return false;
        }
        while (level != levels && level->left == 0) {
            --level;
        }
        if (level == levels) {
            return true;
        }
        --level->left;
    }
}

#endif
