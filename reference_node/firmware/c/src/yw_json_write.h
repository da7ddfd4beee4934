/* Writes what the node says in JSON (RFC 8259), from its CBOR: members in the order of their keys, no white space, and
 * nothing that needs an escape [ENC-03]. Included where YW_JSON is defined. */
#ifndef YW_JSON_WRITE_H
#define YW_JSON_WRITE_H

enum {YW_JSON_ROOM = YW_SIZE_NODE_STATUS_JSON, YW_SAID_DEPTH = 2};
typedef char yw_json_room_for_a_crane[YW_SIZE_CRANE_STATUS_JSON <= YW_JSON_ROOM ? 1 : -1];
typedef char yw_json_room_for_a_berth[YW_SIZE_TRAIN_ARRIVAL_JSON <= YW_JSON_ROOM ? 1 : -1];
typedef char yw_json_room_for_a_shuttle[YW_SIZE_SHUTTLE_STATUS_JSON <= YW_JSON_ROOM ? 1 : -1];
typedef char yw_json_room_for_a_fault[YW_SIZE_FAULT_JSON <= YW_JSON_ROOM ? 1 : -1];
typedef char yw_json_room_for_a_report[YW_SIZE_JOB_REPORT_JSON <= YW_JSON_ROOM ? 1 : -1];

/* A text in flash. */
static uint8_t *yw_json_copy(uint8_t *at, const char *text)
{
    for (char letter; (letter = (char)yw_flash_8(text)) != 0; ++text) {
        *at++ = (uint8_t)letter;
    }
    return at;
}

static uint8_t *yw_json_digits(uint8_t *at, uint32_t value)
{
    uint8_t digits[10], count = 0;
    do {
        digits[count++] = (uint8_t)('0' + value % 10);
        value /= 10;
    } while (value);
    while (count) {
        *at++ = digits[--count];
    }
    return at;
}

static uint8_t *yw_json_said_word(uint8_t *at, const char *words, uint8_t number)
{
    for (; number; --number) {
        while (yw_flash_8(words++) != 0) {
        }
    }
    *at++ = '"';
    at = yw_json_copy(at, words);
    *at++ = '"';
    return at;
}

/* A number, a word, a text or a truth whose head has been read. */
static uint8_t *yw_json_said(uint8_t *at, struct yw_reader *reader, const struct yw_head *head, const char *words)
{
    static const char yes[] YW_FLASH = "true", no[] YW_FLASH = "false";
    switch (yw_major(head)) {
    case YW_UNSIGNED:
        return words ? yw_json_said_word(at, words, (uint8_t)head->value) : yw_json_digits(at, head->value);
    case YW_NEGATIVE:
        *at++ = '-';
        return yw_json_digits(at, head->value + 1);
    case YW_TEXT:
        *at++ = '"';
        for (uint8_t left = (uint8_t)head->value; left; --left) {
            *at++ = yw_take(reader);
        }
        *at++ = '"';
        return at;
    default:
        return yw_json_copy(at, head->first == YW_TRUE ? yes : no);
    }
}

/* One value, of arrays in arrays at most. */
static uint8_t *yw_json_said_value(uint8_t *at, struct yw_reader *reader, const char *words)
{
    uint8_t left[YW_SAID_DEPTH], depth = 0;
    struct yw_head head;
    while (yw_read_head(reader, &head)) {
        uint8_t count = (uint8_t)head.value;
        if (yw_major(&head) != YW_ARRAY) {
            at = yw_json_said(at, reader, &head, words);
        } else {
            *at++ = '[';
            if (count && depth < YW_SAID_DEPTH) {
                left[depth++] = count;
                continue;
            }
            *at++ = ']';
        }
        while (depth && --left[depth - 1] == 0) {
            *at++ = ']';
            --depth;
        }
        if (depth == 0) {
            break;
        }
        *at++ = ',';
    }
    return at;
}

static const struct yw_json_field *yw_json_fields(uint8_t message)
{
    switch (message) {
    case YW_SAY_NODE:
        return yw_json_node_status;
    case YW_SAY_ROLE:
        return yw_json_role;
    case YW_SAY_FAULT:
        return yw_json_fault;
    default:
        return yw_json_job_report;
    }
}

/* Writes to `json`, which has room for YW_JSON_ROOM bytes, what the core has written; gives the length. */
static yw_length yw_json_of(uint8_t message, const uint8_t *payload, uint8_t length, uint8_t *json)
{
    struct yw_reader reader = {payload + 1, (yw_size)(length - 1)};
    const struct yw_json_field *field = yw_json_fields(message);
    struct yw_head key;
    uint8_t *at = json;
    *at++ = '{';
    while (yw_read_head(&reader, &key)) { /* keys come in order */
        while (yw_flash_8(&field->key) != (uint8_t)key.value) {
            ++field;
        }
        *at++ = '"';
        at = yw_json_copy(at, (const char *)yw_flash_pointer(&field->name));
        *at++ = '"';
        *at++ = ':';
        at = yw_json_said_value(at, &reader, (const char *)yw_flash_pointer(&field->words));
        *at++ = ',';
    }
    at[-1] = '}';
    return (yw_length)(at - json);
}

static bool yw_speak(uint8_t message, const uint8_t *payload, uint8_t length)
{
    if (!YW_WRITES_JSON) {
        return yw_send(message, payload, length);
    }
    uint8_t json[YW_JSON_ROOM];
    return yw_send(message, json, yw_json_of(message, payload, length, json));
}

#endif
