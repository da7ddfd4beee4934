/* The node on a serial line: frames as RFC 1662 has them, and what both ends say of the bus. Include it behind yw_core.h
 * where the board has no network, and give it yw_line_put. It brings yw_send. */
#ifndef YW_LINE_H
#define YW_LINE_H

#if defined(YW_JSON)
#error "a cable carries CBOR alone [SER-01]: leave YW_JSON out"
#endif

/* yw_line_take may be called in an interrupt of an AVR. Elsewhere from the main loop and from yw_line_put alone. */
#if defined(__AVR__)
#include <util/atomic.h>
#define YW_UNDISTURBED ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
#else
#define YW_UNDISTURBED
#endif

enum {YW_FLAG = 0x7E, YW_ESCAPE = 0x7D, YW_COMPLEMENT = 0x20, YW_SHORTEST = 3};
#define YW_FCS_GOOD 0xF0B8U
enum {YW_BEAT_MS = YW_LINE_BEAT_MS_MOST - 2 * YW_EARLY_MS};

/* Room for the longest frame, or for a dozen of the usual ones, each behind a byte with its length: orders that come while
 * the node speaks wait here. */
#if !defined(YW_LINE_ROOM)
#define YW_LINE_ROOM 144
#endif
typedef char yw_room_for_a_frame[YW_LINE_ROOM > YW_FRAME_BYTES_MOST && YW_LINE_ROOM < 256 ? 1 : -1];

static struct {
    uint16_t heard_ms, beat_ms, sent_fcs, fcs; /* fcs: of what comes */
    uint8_t size;                       /* of the frame that comes; above the most where it is too long */
    volatile uint8_t whole;             /* bytes of the whole frames that wait, with those of their lengths */
    bool inside, escaped;               /* inside: a flag has come */
    uint8_t frames[YW_LINE_ROOM];
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
    yw_line.sent_fcs = yw_fcs(yw_line.sent_fcs, byte);
    if (byte == YW_FLAG || byte == YW_ESCAPE) {
        yw_line_put(YW_ESCAPE);
        byte ^= YW_COMPLEMENT;
    }
    yw_line_put(byte);
}

static void yw_line_send(uint8_t kind, const uint8_t *payload, uint8_t length)
{
    yw_line.sent_fcs = UINT16_MAX;
    yw_line_put(YW_FLAG);
    yw_line_stuff(kind);
    for (; length; --length) {
        yw_line_stuff(*payload++);
    }
    uint16_t fcs = (uint16_t)~yw_line.sent_fcs;
    yw_line_stuff((uint8_t)fcs);
    yw_line_stuff((uint8_t)(fcs >> 8));
    yw_line_put(YW_FLAG);
}

bool yw_send(uint8_t message, const uint8_t *payload, yw_length length)
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
    yw_put_8(YW_LINE_KEY_STATE, yw_flag.online ? YW_LINE_STATE_ON : YW_LINE_STATE_OFF);
    yw_put_16(YW_LINE_KEY_LINK, yw_flag.online ? yw.link : (uint16_t)(yw.link + 1U));
    if (!yw_flag.online) {
        yw_put_flash(YW_LINE_KEY_SITE, site);
        yw_put_flash(YW_LINE_KEY_NODE, node);
    }
    yw_line_send(YW_LINE_HERE, payload, (uint8_t)(yw_end - payload));
    yw_payload = yw_end = NULL;
    yw_line.beat_ms = (uint16_t)yw_clock_ms();
}

/* The three keys of 'bus' are keys of an order too, for fields as wide or wider, so that the decoder of orders reads it. */
typedef char yw_bus_boot_is_a_field[YW_LINE_KEY_BOOT == YW_KEY_JOB_ORDER_BOOT ? 1 : -1];
typedef char yw_bus_state_is_a_field[YW_LINE_KEY_STATE == YW_KEY_JOB_ORDER_READING ? 1 : -1];
typedef char yw_bus_link_is_a_field[YW_LINE_KEY_LINK == YW_KEY_JOB_ORDER_ARRIVAL ? 1 : -1];
#define YW_BUS_KEYS (YW_KEY_BIT(BOOT) | YW_KEY_BIT(READING) | YW_KEY_BIT(ARRIVAL))

/* The bus is there from a 'new' for the connection that the node wants, until an 'off' or silence [SER-06]. */
static void yw_line_bus(struct yw_reader reader)
{
    struct yw_order said;
    if (!yw_read_map(&said, reader, YW_BUS_KEYS) || said.has != YW_BUS_KEYS || yw_boot(&said) != yw.boot) {
        return;
    }
    uint16_t state = (uint16_t)said.reading, link = (uint16_t)said.number[YW_NUMBER_OF_ARRIVAL];
    if (state > YW_LINE_STATE_NEW || link != (uint16_t)(yw.link + !yw_flag.online)) {
        return;
    }
    if (yw_flag.online || state == YW_LINE_STATE_NEW) {
        yw_line.heard_ms = (uint16_t)yw_clock_ms();
    }
    if (!yw_flag.online && state == YW_LINE_STATE_NEW) {
        yw_connected();
        yw_line_here();
    } else if (yw_flag.online && state == YW_LINE_STATE_OFF) {
        yw_disconnected();
        yw_line_here();
    } else if (yw_flag.online && state == YW_LINE_STATE_NEW) {
        yw_tick();
        yw_say(YW_SAY_NODE, NULL); /* its node-status was lost, or is on its way [SER-08] */
    }
}

/* A whole frame of `size` bytes, kind first. */
static YW_APART void yw_line_frame(const uint8_t *frame, uint8_t size)
{
    const struct yw_reader reader = {frame + 1, (yw_size)(size - 1)};
    bool to_all = *frame == YW_LINE_JOB_ORDER_TO_ALL;
    if (*frame == YW_LINE_BUS) {
        yw_line_bus(reader);
    } else if (to_all || *frame == YW_LINE_JOB_ORDER) {
        /* While the bus is not there, no order but a hold is taken [SER-07]. */
        yw_take_order(reader, !yw_flag.online ? YW_OFF_THE_BUS : to_all ? YW_TO_ALL : YW_TO_THIS);
    }
}

/* A flag has come: what stood before it waits as a frame, if it is one. */
static void yw_line_end_frame(void)
{
    uint8_t size = yw_line.size;
    if (yw_line.inside && !yw_line.escaped && size >= YW_SHORTEST && size <= YW_FRAME_BYTES_MOST &&
        yw_line.fcs == YW_FCS_GOOD) {
        yw_line.frames[yw_line.whole] = (uint8_t)(size - 2);
        yw_line.whole = (uint8_t)(yw_line.whole + size - 1);
    }
    yw_line.inside = true;
    yw_line.escaped = false;
    yw_line.size = 0;
    yw_line.fcs = UINT16_MAX;
}

/* Takes one byte of the line; what is no whole frame with a right FCS is dropped [SER-04], and so is what finds no room. */
void yw_line_take(uint8_t byte)
{
    if (byte == YW_FLAG) {
        yw_line_end_frame();
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
    uint16_t at = (uint16_t)(yw_line.whole + 1U + yw_line.size);
    if (yw_line.size == YW_FRAME_BYTES_MOST || at >= YW_LINE_ROOM) {
        yw_line.inside = false; /* too long: it ends with the next flag */
        return;
    }
    yw_line.frames[at] = byte;
    ++yw_line.size;
    yw_line.fcs = yw_fcs(yw_line.fcs, byte);
}

/* Takes the first frame that waits out of the way of what comes behind it. */
static void yw_line_drop(uint8_t size)
{
    YW_UNDISTURBED {
        yw_line.whole = (uint8_t)(yw_line.whole - size);
        memmove(yw_line.frames, yw_line.frames + size, (size_t)(yw_line.whole + 1U + yw_line.size));
    }
}

/* In place of yw_tick. */
void yw_line_tick(void)
{
    while (yw_line.whole) {
        uint8_t size = yw_line.frames[0];
        yw_line_frame(yw_line.frames + 1, size);
        yw_line_drop((uint8_t)(size + 1));
    }
    uint16_t now_ms = (uint16_t)yw_clock_ms();
    yw_tick();
    if (yw_flag.online && (uint16_t)(now_ms - yw_line.heard_ms) >= YW_LINE_SILENCE_MS_EXACT) {
        yw_disconnected();
        yw_line_here();
    } else if ((uint16_t)(now_ms - yw_line.beat_ms) >= YW_BEAT_MS) {
        yw_line_here();
    }
}

#endif
