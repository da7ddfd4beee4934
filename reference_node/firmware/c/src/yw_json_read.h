/* Reads an order in JSON (RFC 8259) and writes the same order in CBOR, which the rest of the core reads. Integers alone, no
 * null, no name twice, no comma behind the last [ENC-01, ENC-03, ENC-04]. Included where YW_JSON is defined. */
#ifndef YW_JSON_READ_H
#define YW_JSON_READ_H

typedef char yw_act_takes_one_byte[YW_KEY_JOB_ORDER_ACT < 24 && YW_ACT_SET_UPTIME < 24 ? 1 : -1];

static uint8_t yw_json_peek(const struct yw_reader *reader)
{
    return reader->left ? *reader->at : 0;
}

/* Passes over white space; gives what comes next, 0 at the end. */
static uint8_t yw_json_mark(struct yw_reader *reader)
{
    uint8_t seen;
    while ((seen = yw_json_peek(reader)) == ' ' || seen == '\t' || seen == '\n' || seen == '\r') {
        yw_take(reader);
    }
    return seen;
}

/* Passes over white space, and over `wanted` where it comes next. */
static bool yw_json_next(struct yw_reader *reader, char wanted)
{
    if (yw_json_mark(reader) != (uint8_t)wanted) {
        return false;
    }
    yw_take(reader);
    return true;
}

/* ------------------------------------------------------------ strings, behind their first quote */

/* Takes the four digits of an escape; `code` is what it says, in UTF-16. */
static bool yw_json_hex(struct yw_reader *reader, uint16_t *code)
{
    *code = 0;
    for (uint8_t i = 0; i < 4; ++i) {
        uint8_t digit = yw_json_peek(reader), small = digit | 0x20;
        if (!((digit >= '0' && digit <= '9') || (small >= 'a' && small <= 'f'))) {
            return false;
        }
        yw_take(reader);
        uint8_t low = digit & 15;
        *code = (uint16_t)(*code << 4 | (uint16_t)(digit <= '9' ? low : low + 9));
    }
    return true;
}

/* Takes one character: a byte as it stands, or what an escape means. False at the end, where `code` is a quote, and for
 * what no string has. */
static bool yw_json_character(struct yw_reader *reader, uint16_t *code)
{
    static const char escapes[] YW_FLASH = "\"\\/bfnrt", meanings[] YW_FLASH = "\"\\/\b\f\n\r\t";
    uint8_t byte = yw_json_peek(reader), letter;
    *code = byte;
    if (byte < ' ') {
        return false; /* also where nothing is left */
    }
    yw_take(reader);
    if (byte != '\\') {
        return byte != '"';
    }
    *code = 0;
    byte = yw_json_peek(reader);
    if (byte == 0) {
        return false;
    }
    yw_take(reader);
    if (byte == 'u') {
        bool read = yw_json_hex(reader, code);
        *code = read ? *code : 0;
        return read;
    }
    for (uint8_t i = 0; (letter = (uint8_t)yw_flash_8(&escapes[i])) != 0; ++i) {
        if (letter == byte) {
            *code = (uint8_t)yw_flash_8(&meanings[i]);
            return true;
        }
    }
    return false;
}

/* Passes over a string; halves of a pair are none [ENC-03]. */
static bool yw_json_skip_text(struct yw_reader *reader)
{
    uint16_t code;
    bool half = false;
    while (yw_json_character(reader, &code)) {
        if (half != ((code & 0xFC00U) == 0xDC00U)) {
            return false;
        }
        half = (code & 0xFC00U) == 0xD800U;
    }
    return code == '"' && !half;
}

/* The place of a string among `words`, YW_NO_WORD for any other. Where it is none, the reader stays before it. */
static uint8_t yw_json_word(struct yw_reader *reader, const char *words)
{
    for (uint8_t number = 0; yw_flash_8(words) != 0; ++number) {
        struct yw_reader here = *reader;
        uint16_t code = 0;
        while (yw_flash_8(words) != 0 && yw_json_character(&here, &code) && code == (uint8_t)yw_flash_8(words)) {
            ++words;
        }
        if (yw_flash_8(words) == 0 && !yw_json_character(&here, &code) && code == '"') {
            *reader = here;
            return number;
        }
        while (yw_flash_8(words++) != 0) {
        }
    }
    return YW_NO_WORD;
}

static bool yw_json_alike(struct yw_reader one, struct yw_reader other)
{
    uint16_t first, second;
    bool more;
    do {
        more = yw_json_character(&one, &first);
        if (yw_json_character(&other, &second) != more || first != second) {
            return false;
        }
    } while (more);
    return true;
}

/* Whether no member before it has the name at `name`: `begin` is behind the brace, and all between was read before. */
static bool yw_json_is_new(struct yw_reader begin, const struct yw_reader *name)
{
    uint8_t depth = 0;
    bool is_name = true;
    while (begin.left > name->left + 1) { /* its quote */
        uint8_t mark = yw_take(&begin);
        if (mark == '"') {
            if (is_name && yw_json_alike(begin, *name)) {
                return false;
            }
            yw_json_skip_text(&begin);
            is_name = false;
        } else if (mark == '{' || mark == '[') {
            ++depth;
        } else if (mark == '}' || mark == ']') {
            --depth;
        } else if (mark == ',') {
            is_name = depth == 0;
        }
    }
    return true;
}

/* Reads the name of a member and its colon; gives its place among the fields of an order. In a name an escape for what
 * needs none may hide that it comes twice: there it is refused, as it may be [ENC-14]. */
static bool yw_json_name(struct yw_reader *reader, struct yw_reader begin, uint8_t *key)
{
    if (!yw_json_next(reader, '"')) {
        return false;
    }
    struct yw_reader name = *reader, here = name;
    *key = yw_json_word(reader, yw_json_names);
    if (*key == YW_NO_WORD && !yw_json_skip_text(reader)) {
        return false;
    }
    while (here.left > reader->left) {
        uint16_t code;
        bool escaped = *here.at == '\\';
        yw_json_character(&here, &code);
        if (escaped && code >= 0x80) {
            return false;
        }
    }
    return yw_json_is_new(begin, &name) && yw_json_next(reader, ':');
}

/* ------------------------------------------------------------ values */

/* An integer of any length, its sign as CBOR has it; a fraction or an exponent behind it is no end of a value. */
static bool yw_json_number(struct yw_reader *reader, struct yw_head *head)
{
    bool negative = yw_json_next(reader, '-');
    uint8_t digit = (uint8_t)(yw_json_peek(reader) - '0');
    bool is_nought = digit == 0;
    head->value = 0;
    head->is_huge = false;
    if (digit > 9) {
        return false;
    }
    do {
        yw_take(reader);
        head->is_huge |= head->value > (UINT32_MAX - digit) / 10;
        head->value = head->value * 10 + digit;
        digit = (uint8_t)(yw_json_peek(reader) - '0');
    } while (digit <= 9 && !is_nought);
    head->first = (uint8_t)(negative && head->value ? YW_NEGATIVE << 5 : YW_UNSIGNED << 5);
    head->value -= negative && head->value;
    return digit > 9;
}

static bool yw_json_bool(struct yw_reader *reader, bool *value)
{
    static const char letters[] YW_FLASH = "falsetrue";
    *value = yw_json_next(reader, 't');
    if (!*value && !yw_json_next(reader, 'f')) {
        return false;
    }
    for (uint8_t i = *value ? 6 : 1, end = *value ? 9 : 5; i < end; ++i) {
        if (yw_json_peek(reader) != (uint8_t)yw_flash_8(&letters[i])) {
            return false;
        }
        yw_take(reader);
    }
    return true;
}

static bool yw_json_skip_plain(struct yw_reader *reader)
{
    struct yw_head head;
    bool value;
    if (yw_json_next(reader, '"')) {
        return yw_json_skip_text(reader);
    }
    uint8_t first = yw_json_peek(reader);
    return first == 't' || first == 'f' ? yw_json_bool(reader, &value) : yw_json_number(reader, &head);
}

/* Passes over one value inside the outermost object [ENC-09, ENC-12]. */
static bool yw_json_skip(struct yw_reader *reader)
{
    struct yw_reader begin[YW_INNER_DEPTH]; /* of each open object or array, behind its bracket */
    bool is_map[YW_INNER_DEPTH];
    uint8_t depth = 0, key;
    for (;;) {
        bool map = yw_json_next(reader, '{');
        bool ended = true;
        if (map || yw_json_next(reader, '[')) {
            if (depth == YW_INNER_DEPTH) {
                return false;
            }
            is_map[depth] = map;
            begin[depth] = *reader;
            ended = yw_json_next(reader, map ? '}' : ']');
            depth = (uint8_t)(depth + !ended);
        } else if (!yw_json_skip_plain(reader)) {
            return false;
        }
        while (ended && depth && !yw_json_next(reader, ',')) {
            --depth;
            if (!yw_json_next(reader, is_map[depth] ? '}' : ']')) {
                return false;
            }
        }
        if (depth == 0) {
            return true;
        }
        if (is_map[depth - 1] && !yw_json_name(reader, begin[depth - 1], &key)) {
            return false;
        }
    }
}

/* ------------------------------------------------------------ fields of an order, as CBOR */

static bool yw_json_put_number(struct yw_reader *reader)
{
    struct yw_head head;
    if (!yw_json_number(reader, &head) || head.is_huge) {
        return false;
    }
    yw_put_head(yw_major(&head), head.value);
    return true;
}

static bool yw_json_put_word(struct yw_reader *reader, const char *words)
{
    uint8_t word = yw_json_next(reader, '"') ? yw_json_word(reader, words) : YW_NO_WORD;
    yw_put_head(YW_UNSIGNED, word);
    return word != YW_NO_WORD;
}

static bool yw_json_put_label(struct yw_reader *reader, uint8_t most)
{
    uint16_t code = 0;
    uint8_t *head = yw_end++, length = 0;
    if (!yw_json_next(reader, '"')) {
        return false;
    }
    for (; yw_json_character(reader, &code); ++length) {
        if (length == most || code >= 0x80) {
            return false;
        }
        yw_put((uint8_t)code);
    }
    *head = (uint8_t)(YW_TEXT << 5 | length);
    return code == '"';
}

/* One entry of a stimulus: sensor, level, delay. */
static bool yw_json_put_input(struct yw_reader *reader, const char *words)
{
    bool level = false;
    yw_put_head(YW_ARRAY, 3);
    if (!yw_json_next(reader, '[') || !yw_json_put_word(reader, words) || !yw_json_next(reader, ',')) {
        return false;
    }
    if (!yw_json_bool(reader, &level)) {
        return false;
    }
    yw_put_bool(level);
    return yw_json_next(reader, ',') && yw_json_put_number(reader) && yw_json_next(reader, ']');
}

/* The entries of a target, or with `words` of a stimulus. */
static bool yw_json_put_array(struct yw_reader *reader, uint8_t most, const char *words)
{
    uint8_t *head = yw_end++, count = 0;
    if (!yw_json_next(reader, '[')) {
        return false;
    }
    do {
        if (count++ == most || !(words ? yw_json_put_input(reader, words) : yw_json_put_number(reader))) {
            return false;
        }
    } while (yw_json_next(reader, ','));
    *head = (uint8_t)(YW_ARRAY << 5 | count);
    return yw_json_next(reader, ']');
}

/* The white space in front of a value is passed over by what reads it. */
static bool yw_json_put_field(struct yw_reader *reader, uint8_t key)
{
    uint8_t kind = yw_flash_8(&yw_fields[key][0]), most = kind & 15;
    yw_put_key(key);
    switch (kind >> 4) {
    case YW_FIELD_NUMBER:
    case YW_FIELD_SIGNED:
        return yw_json_put_number(reader);
    case YW_FIELD_WORD:
        return yw_json_put_word(reader, yw_json_words_of(key));
    case YW_FIELD_LABEL:
        return yw_json_put_label(reader, most);
    default:
        return yw_json_put_array(reader, most, yw_json_words_of(key));
    }
}

/* Writes the fields of `wanted` as a map in CBOR to `room`, and passes over all others [ENC-09]. */
static bool yw_json_map(struct yw_reader reader, uint32_t wanted, uint8_t *room)
{
    yw_payload = room;
    yw_end = room + 1;
    *room = YW_MAP << 5;
    if (!yw_json_next(&reader, '{')) {
        return false;
    }
    const struct yw_reader begin = reader;
    do {
        uint8_t key;
        if (!yw_json_name(&reader, begin, &key)) {
            return false;
        }
        bool wants = key != YW_NO_WORD && (wanted & UINT32_C(1) << key) != 0;
        if (!(wants ? yw_json_put_field(&reader, key) : yw_json_skip(&reader))) {
            return false;
        }
    } while (yw_json_next(&reader, ','));
    bool ended = yw_json_next(&reader, '}');
    yw_json_mark(&reader);
    return ended && reader.left == 0; /* [ENC-12] */
}

/* The same order in CBOR; nothing where it cannot be read, or where the node does not read that encoding [ENC-01]. */
static struct yw_reader yw_order_in_cbor(struct yw_reader reader, uint8_t *room)
{
    struct yw_reader order = {room, 0};
    if (yw_json_peek(&reader) != '{') {
        return YW_READS == YW_NODE_STATUS_READS_JSON ? order : reader;
    }
    bool read = YW_READS != YW_NODE_STATUS_READS_CBOR && yw_is_utf8(reader.at, reader.left) &&
                yw_json_map(reader, YW_KEY_BIT(ACT), room) && *room == (YW_MAP << 5 | 1);
    if (read && yw_json_map(reader, yw_flash_32(&yw_acts[room[2]][1]), room)) {
        order.left = (yw_size)(yw_end - room);
    }
    yw_payload = yw_end = NULL;
    return order;
}

#endif
