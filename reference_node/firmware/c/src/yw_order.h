/* An order as it came. Texts stay in the receive buffer. */
#ifndef YW_ORDER_H
#define YW_ORDER_H

struct yw_label {
    const uint8_t *text;
    uint8_t length;
};

struct yw_order {
    uint32_t has; /* one bit for each CBOR key */
    uint32_t number[YW_NUMBERS];
    struct yw_label label[YW_LABELS];
    struct yw_reader inputs;
    int16_t reading, target[YW_TARGETS_MOST];
    uint8_t targets;
};

#define YW_KEY_BIT(field) (UINT32_C(1) << YW_KEY_JOB_ORDER_##field)

/* A macro, so that a key that is known beforehand costs no shift. */
#define yw_has(order, key) (((order)->has & UINT32_C(1) << (key)) != 0)

#define yw_boot(order) ((uint16_t)(order)->number[YW_NUMBER_OF_BOOT])
#define yw_id(order) ((order)->number[YW_NUMBER_OF_ID])
#define yw_act(order) ((uint8_t)(order)->number[YW_NUMBER_OF_ACT])
#define yw_ref(order) ((order)->number[YW_NUMBER_OF_REF])
#define yw_token(order) ((order)->number[YW_NUMBER_OF_TOKEN])
#define yw_deadline(order) ((order)->number[YW_NUMBER_OF_DEADLINE])
#define yw_holds(order) ((uint16_t)(order)->number[YW_NUMBER_OF_HOLDS])
#define yw_faults(order) ((uint16_t)(order)->number[YW_NUMBER_OF_FAULTS])
#define yw_found(order) ((uint8_t)(order)->number[YW_NUMBER_OF_FOUND])

enum {YW_ANY = 0}; /* a number of up to 32 bits */

/* Reads the head of a value of this type, with a number or a count of at most `most`. */
static bool yw_read_of(struct yw_reader *reader, uint8_t major, uint16_t most, uint32_t *number)
{
    struct yw_head head;
    *number = 0;
    if (!yw_read_head(reader, &head) || yw_major(&head) != major || head.is_huge || (most != YW_ANY && head.value > most)) {
        return false;
    }
    *number = head.value;
    return true;
}

static bool yw_read_number(struct yw_reader *reader, uint16_t most, uint32_t *number)
{
    return yw_read_of(reader, YW_UNSIGNED, most, number);
}

static bool yw_read_signed(struct yw_reader *reader, int16_t *number)
{
    uint32_t size;
    bool negative = reader->left && *reader->at >> 5 == YW_NEGATIVE;
    bool read = yw_read_of(reader, negative, INT16_MAX, &size);
    *number = (int16_t)(negative ? ~(uint16_t)size : (uint16_t)size);
    return read;
}

static bool yw_is_letter(uint8_t byte)
{
    uint8_t small = byte | 0x20;
    return (small >= 'a' && small <= 'z' && byte >= 'A') || (byte >= '0' && byte <= '9') || byte == '-';
}

static bool yw_read_label(struct yw_reader *reader, uint8_t most, struct yw_label *label)
{
    uint32_t length;
    if (!yw_read_of(reader, YW_TEXT, most, &length) || length == 0 || length > yw_left_in(reader)) {
        return false;
    }
    label->text = reader->at;
    label->length = (uint8_t)length;
    reader->at += label->length;
    reader->left = (yw_size)(reader->left - label->length);
    for (uint8_t i = 0; i < label->length; ++i) {
        if (!yw_is_letter(label->text[i])) {
            return false;
        }
    }
    return true;
}

/* Opens an array of 1 to `most` entries; gives how many, 0 for anything else. */
static uint8_t yw_read_array(struct yw_reader *reader, uint8_t most)
{
    uint32_t count;
    return yw_read_of(reader, YW_ARRAY, most, &count) ? (uint8_t)count : 0;
}

static bool yw_read_targets(struct yw_reader *reader, uint8_t most, struct yw_order *order)
{
    order->targets = yw_read_array(reader, most);
    for (uint8_t i = 0; i < order->targets; ++i) {
        if (!yw_read_signed(reader, &order->target[i])) {
            return false;
        }
    }
    return order->targets != 0;
}

/* One entry of a stimulus: sensor, level, delay. */
static bool yw_read_input(struct yw_reader *reader, struct yw_played *input)
{
    uint32_t sensor, wait_ms;
    if (yw_read_array(reader, 3) != 3 || !yw_read_number(reader, YW_SENSORS - 1, &sensor) || reader->left == 0) {
        return false;
    }
    uint8_t level = yw_take(reader);
    if ((level != YW_FALSE && level != YW_TRUE) || !yw_read_number(reader, UINT16_MAX, &wait_ms)) {
        return false;
    }
    input->what = (uint8_t)(sensor | (level == YW_TRUE ? 0x80 : 0));
    input->wait_ms = (uint16_t)wait_ms;
    return true;
}

static bool yw_read_inputs(struct yw_reader *reader, uint8_t most, struct yw_order *order)
{
    struct yw_played input;
    order->inputs = *reader;
    uint8_t count = yw_read_array(reader, most);
    for (uint8_t i = 0; i < count; ++i) {
        if (!yw_read_input(reader, &input)) {
            return false;
        }
    }
    return count != 0;
}

static bool yw_read_field(struct yw_order *order, struct yw_reader *reader, uint8_t key)
{
    uint8_t kind = yw_flash_8(&yw_fields[key][0]), place = yw_flash_8(&yw_fields[key][1]), limit = kind & 15;
    switch (kind >> 4) {
    case YW_FIELD_NUMBER: {
        uint16_t most = limit == 0 ? UINT8_MAX : limit == 1 ? UINT16_MAX : YW_ANY;
        return yw_read_number(reader, most, &order->number[place]) && (limit != 3 || order->number[place] != 0);
    }
    case YW_FIELD_WORD:
        return yw_read_number(reader, limit, &order->number[place]);
    case YW_FIELD_LABEL:
        return yw_read_label(reader, limit, &order->label[place]);
    case YW_FIELD_SIGNED:
        return yw_read_signed(reader, &order->reading);
    case YW_FIELD_TARGET:
        return yw_read_targets(reader, limit, order);
    default:
        return yw_read_inputs(reader, limit, order);
    }
}

/* Reads the fields of `wanted`, and passes over all others [ENC-09]. No key may come twice; those that no order of this
 * version has must come in order for that. */
static bool yw_read_map(struct yw_order *order, struct yw_reader reader, uint32_t wanted)
{
    struct yw_head head;
    uint32_t seen = 0, least = YW_FIELDS, pairs;
    memset(order, 0, sizeof *order);
    if (!yw_read_of(&reader, YW_MAP, yw_left_in(&reader), &pairs)) {
        return false;
    }
    for (yw_size left = (yw_size)pairs; left; --left) {
        if (!yw_read_head(&reader, &head)) {
            return false;
        }
        uint32_t bit = 0;
        if (yw_major(&head) == YW_UNSIGNED && head.value < YW_FIELDS && !head.is_huge) {
            bit = UINT32_C(1) << head.value;
        } else if (!yw_key_follows(&head, &least)) {
            return false;
        }
        if (seen & bit) {
            return false;
        }
        seen |= bit;
        if (!((wanted & bit) ? yw_read_field(order, &reader, (uint8_t)head.value) : yw_skip(&reader))) {
            return false;
        }
    }
    order->has = seen & wanted;
    return reader.left == 0; /* [ENC-12] */
}

/* Whether these bytes are an order that can be read; half an order is none [ENC-10]. */
static bool yw_read_order(struct yw_order *order, struct yw_reader reader)
{
    if (!yw_read_map(order, reader, YW_KEY_BIT(ACT)) || !order->has) {
        return false;
    }
    uint8_t act = yw_act(order);
    uint32_t needed = yw_flash_32(&yw_acts[act][0]);
    if (!yw_read_map(order, reader, yw_flash_32(&yw_acts[act][1])) || (order->has & needed) != needed) {
        return false;
    }
    for (uint8_t i = 0; i < sizeof yw_together / sizeof yw_together[0]; ++i) {
        uint32_t group = yw_flash_32(&yw_together[i]), there = order->has & group;
        if (there && there != group) {
            return false;
        }
    }
    return true;
}

#endif
