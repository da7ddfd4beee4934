/* The node on a serial line: frames as RFC 1662 has them, and what both ends say of the bus. Include it behind yw_core.h
 * where the board has no network, and give it yw_line_put. It brings yw_send. */
#ifndef YW_LINE_H
#define YW_LINE_H

enum {YW_FLAG = 0x7E, YW_ESCAPE = 0x7D, YW_COMPLEMENT = 0x20, YW_SHORTEST = 3};
#define YW_FCS_GOOD 0xF0B8U
enum {YW_BEAT_MS = YW_LINE_BEAT_MS_MOST - 2 * YW_EARLY_MS};

static struct {
    uint16_t heard_ms, beat_ms, fcs; /* fcs: of what is being sent */
    uint8_t size; /* of the frame that comes; above the most where it is too long */
    bool inside, escaped; /* inside: a flag has come */
    uint8_t frame[YW_FRAME_BYTES_MOST];
} yw_line;

/* The FCS of RFC 1662 appendix C.2, a bit at a time: 16 bits are cheaper than a table. */
static uint16_t yw_fcs(uint16_t fcs, uint8_t byte)
{
    fcs ^= byte;
    for (uint8_t bit = 0; bit < 8; ++bit) {
        fcs = (uint16_t)(fcs & 1 ? fcs >> 1 ^ 0x8408U : fcs >> 1);
    }
    return fcs;
}

static void yw_line_stuff(uint8_t byte)
{
    yw_line.fcs = yw_fcs(yw_line.fcs, byte);
    if (byte == YW_FLAG || byte == YW_ESCAPE) {
        yw_line_put(YW_ESCAPE);
        byte ^= YW_COMPLEMENT;
    }
    yw_line_put(byte);
}

static void yw_line_send(uint8_t kind, const uint8_t *payload, uint8_t length)
{
    yw_line.fcs = UINT16_MAX;
    yw_line_put(YW_FLAG);
    yw_line_stuff(kind);
    for (; length; --length) {
        yw_line_stuff(*payload++);
    }
    uint16_t fcs = (uint16_t)~yw_line.fcs;
    yw_line_stuff((uint8_t)fcs);
    yw_line_stuff((uint8_t)(fcs >> 8));
    yw_line_put(YW_FLAG);
}

bool yw_send(uint8_t message, const uint8_t *payload, uint8_t length)
{
    static const uint8_t kinds[YW_MESSAGES] YW_FLASH = {
        YW_LINE_NODE_STATUS,
#if YW_ROLE == YW_ROLE_IS_CRANE
        YW_LINE_CRANE_STATUS,
#elif YW_ROLE == YW_ROLE_IS_BERTH
        YW_LINE_TRAIN_ARRIVAL,
#else
        YW_LINE_SHUTTLE_STATUS,
#endif
        YW_LINE_FAULT, YW_LINE_JOB_REPORT};
    yw_line_send(yw_flash_8(&kinds[message]), payload, length);
    return true;
}

/* 'here': which connection the node has, or wants [SER-05]. */
static void yw_line_here(void)
{
    static const char site[] YW_FLASH = YW_SITE, node[] YW_FLASH = YW_NODE;
    uint8_t payload[YW_WILL_ROOM + sizeof site + sizeof node + 4];
    yw_open(payload);
    yw_put_number(YW_LINE_KEY_STATE, yw.online ? YW_LINE_STATE_ON : YW_LINE_STATE_OFF);
    yw_put_number(YW_LINE_KEY_LINK, yw.online ? yw.link : (uint16_t)(yw.link + 1U));
    if (!yw.online) {
        yw_put_flash(YW_LINE_KEY_SITE, site);
        yw_put_flash(YW_LINE_KEY_NODE, node);
    }
    yw_line_send(YW_LINE_HERE, payload, (uint8_t)(yw_end - payload));
    yw_payload = yw_end = NULL;
    yw_line.beat_ms = (uint16_t)yw_clock_ms();
}

/* What 'bus' says of which connection; false for what cannot be believed. */
static bool yw_line_read_bus(struct yw_reader reader, uint8_t *state, uint16_t *link)
{
    struct yw_head head;
    uint32_t boot = 0, said = 0, count = 0, least = 0;
    uint8_t found = 0;
    if (!yw_read_head(&reader, &head) || yw_major(&head) != YW_MAP || !yw_fits(&reader, &head)) {
        return false;
    }
    for (uint8_t pairs = (uint8_t)head.value; pairs; --pairs) {
        if (!yw_read_head(&reader, &head) || !yw_key_follows(&head, &least)) {
            return false;
        }
        bool is_known = yw_major(&head) == YW_UNSIGNED && head.value <= YW_LINE_KEY_LINK;
        uint8_t key = is_known ? (uint8_t)head.value : YW_NO_WORD;
        bool read = key == YW_LINE_KEY_BOOT    ? yw_read_number(&reader, UINT16_MAX, &boot)
                    : key == YW_LINE_KEY_STATE ? yw_read_number(&reader, YW_LINE_STATE_NEW, &said)
                    : key == YW_LINE_KEY_LINK  ? yw_read_number(&reader, UINT16_MAX, &count)
                                               : yw_skip(&reader);
        if (!read) {
            return false;
        }
        found = (uint8_t)(found + (key == YW_LINE_KEY_BOOT || key == YW_LINE_KEY_STATE || key == YW_LINE_KEY_LINK));
    }
    *state = (uint8_t)said;
    *link = (uint16_t)count;
    return reader.at == reader.end && found == 3 && boot == yw.boot;
}

/* The bus is there from a 'new' for the connection that the node wants, until an 'off' or silence [SER-06]. */
static void yw_line_bus(struct yw_reader reader)
{
    uint8_t state;
    uint16_t link;
    if (!yw_line_read_bus(reader, &state, &link)) {
        return;
    }
    if (!yw.online && state == YW_LINE_STATE_NEW && link == (uint16_t)(yw.link + 1U)) {
        yw_line.heard_ms = (uint16_t)yw_clock_ms();
        yw_connected();
        yw_line_here();
    } else if (yw.online && link == yw.link) {
        yw_line.heard_ms = (uint16_t)yw_clock_ms();
        if (state == YW_LINE_STATE_OFF) {
            yw_disconnected();
            yw_line_here();
        } else if (state == YW_LINE_STATE_NEW) {
            yw_tick();
            yw_say(YW_SAY_NODE, NULL); /* its node-status was lost, or is on its way [SER-08] */
        }
    }
}

/* While the bus is not there, no order but a hold is taken [SER-07]. */
static bool yw_line_takes(const struct yw_reader *reader)
{
    struct yw_order order;
    return yw.online ||
           (yw_read_order(&order, reader->at, yw_left_in(reader)) && yw_act(&order) == YW_ACT_HOLD);
}

static void yw_line_frame(void)
{
    uint16_t fcs = UINT16_MAX;
    for (uint8_t i = 0; i < yw_line.size; ++i) {
        fcs = yw_fcs(fcs, yw_line.frame[i]);
    }
    if (fcs != YW_FCS_GOOD) {
        return;
    }
    const struct yw_reader reader = {yw_line.frame + 1, yw_line.frame + yw_line.size - 2};
    uint8_t kind = yw_line.frame[0];
    if (kind == YW_LINE_BUS) {
        yw_line_bus(reader);
    } else if ((kind == YW_LINE_JOB_ORDER || kind == YW_LINE_JOB_ORDER_TO_ALL) && yw_line_takes(&reader)) {
        yw_receive(reader.at, yw_left_in(&reader), kind == YW_LINE_JOB_ORDER_TO_ALL);
    }
}

/* Takes one byte of the line, from the main loop; what is no whole frame with a right FCS is dropped [SER-04]. */
void yw_line_take(uint8_t byte)
{
    if (byte == YW_FLAG) {
        if (yw_line.inside && !yw_line.escaped && yw_line.size >= YW_SHORTEST && yw_line.size <= YW_FRAME_BYTES_MOST) {
            yw_line_frame();
        }
        yw_line.inside = true;
        yw_line.escaped = false;
        yw_line.size = 0;
        return;
    }
    if (byte == YW_ESCAPE && !yw_line.escaped) {
        yw_line.escaped = true;
        return;
    }
    if (yw_line.escaped) {
        byte ^= YW_COMPLEMENT;
        yw_line.escaped = false;
    }
    if (yw_line.size < YW_FRAME_BYTES_MOST) {
        yw_line.frame[yw_line.size] = byte;
    }
    if (yw_line.size <= YW_FRAME_BYTES_MOST) {
        ++yw_line.size;
    }
}

/* In place of yw_tick. */
void yw_line_tick(void)
{
    uint16_t now_ms = (uint16_t)yw_clock_ms();
    yw_tick();
    if (yw.online && (uint16_t)(now_ms - yw_line.heard_ms) >= YW_LINE_SILENCE_MS_EXACT) {
        yw_disconnected();
        yw_line_here();
    } else if ((uint16_t)(now_ms - yw_line.beat_ms) >= YW_BEAT_MS) {
        yw_line_here();
    }
}

#endif
