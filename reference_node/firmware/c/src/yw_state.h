/* What a node has to remember. */
#ifndef YW_STATE_H
#define YW_STATE_H

#if defined(__AVR__)
#include <avr/io.h>
#define yw_flash_8(address) pgm_read_byte(address)
#define yw_flash_16(address) pgm_read_word(address)
#define yw_flash_32(address) pgm_read_dword(address)
#define yw_flash_pointer(address) ((const void *)(uintptr_t)pgm_read_word(address))
#else
#define yw_flash_8(address) (*(address))
#define yw_flash_16(address) (*(address))
#define yw_flash_32(address) (*(address))
#define yw_flash_pointer(address) ((const void *)*(address))
#endif

/* A byte of a number, the lowest is 0: on a small board shifting 32 bits takes longer code than looking into them. */
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
#define yw_byte(number, at) (((uint8_t *)&(number))[sizeof(number) - 1 - (at)])
#else
#define yw_byte(number, at) (((uint8_t *)&(number))[at])
#endif

/* A function of its own wherever it is called: on a small board a call is shorter than what it does. */
#if defined(__AVR__)
#define YW_APART __attribute__((noinline))
#else
#define YW_APART
#endif

/* How long what is received may be, and how many values are in it: a pair of a map is two. */
#if YW_BUFFER <= 128
typedef uint8_t yw_size;
#define YW_SIZE_MOST 127
#else
typedef uint16_t yw_size;
#define YW_SIZE_MOST INT16_MAX
#endif

#include "yw_order_table.h"
#include "yw_machine_tables.h"

enum {
    YW_NO_WORD = 0xFF,   /* no step, no reason, no place */
    YW_PLAYED_MOST = 20, /* inputs of a tester that wait: two stimuli of ten */
    YW_FAULT_CODES = YW_FAULT_CODE_INPUT_LOST + 1
};

/* The one job that a node has, or the last one of this boot; id 0 before the first. */
struct yw_job {
    uint32_t id, deadline;
    uint8_t act, state, step, reason, box_length;
    bool past_return;
    char box[YW_BOX_LENGTH];
};

/* An input of a tester: how long after the one before, which sensor, and in the top bit its level. */
struct yw_played {
    uint16_t wait_ms;
    uint8_t what;
};

#if YW_ROLE == YW_ROLE_IS_CRANE
#define YW_LINES (YW_AXES + YW_LOAD_SENSOR + 1)
#define YW_INPUT_LINES (YW_AXES + YW_LOAD_SENSOR)
typedef uint8_t yw_since_ms; /* long enough to see that a line has stood still */
#elif YW_ROLE == YW_ROLE_IS_BERTH
#define YW_LINES 2
#define YW_INPUT_LINES YW_LINES
typedef uint16_t yw_since_ms; /* a berth takes times from it */
#else
#define YW_LINES (YW_STOPS + YW_LOAD_SENSOR)
#define YW_INPUT_LINES YW_LINES
typedef uint8_t yw_since_ms;
#endif

static struct {
    uint32_t now_ms, uptime_ahead; /* uptime is the clock and what a tester has set it ahead */
    uint32_t mark, mark_before, claimant, hold_token;
    struct yw_job job;
    uint32_t fault_job, played_ms;
#if YW_ROLE != YW_ROLE_IS_CRANE
    uint32_t settled_ms;
#endif
    uint16_t boot, link, holds, starts, seq[YW_MESSAGES], said_ms[YW_SAY_REPORT];
    uint16_t faults, active, raw, level, bad_ms;
    yw_since_ms since_ms[YW_LINES];
    const char *part; /* in flash; of the fault that changed last */
    uint8_t reset, changed_fault, changed_lines, played_count;
    struct yw_played played[YW_PLAYED_MOST];
} yw;

/* What holds of the node, a bit each; in which state its machine is; which messages have changed since they were told, a bit
 * each. An ATmega has registers for such, which take fewer instructions than its memory: leave them to the core. */
struct yw_flags {
    bool bench : 1, held : 1, online : 1, has_claimant : 1, has_hold_token : 1, bad_waits : 1, bad_lately : 1, power : 1;
};
#if defined(__AVR__) && defined(GPIOR0)
#define yw_flag (*(volatile struct yw_flags *)&GPIOR0)
#define yw_state GPIOR1
#define yw_untold GPIOR2
#else
static struct yw_flags yw_flag;
static uint8_t yw_state, yw_untold;
#endif

#define YW_BIT(number) ((uint16_t)(1U << (number)))

static uint32_t yw_uptime(void)
{
    return yw.now_ms + yw.uptime_ahead;
}

static YW_APART uint16_t yw_bit(uint8_t number)
{
    return YW_BIT(number);
}

static bool yw_is_in(uint16_t bits, uint8_t number)
{
    return (bits & yw_bit(number)) != 0;
}

/* Something that a message carries has changed: it is told before anything else happens [MSG-01]. */
static void yw_changed(uint8_t message)
{
    yw_untold = (uint8_t)(yw_untold | yw_bit(message));
}

/* A motor was switched on [BEN-03]. */
static void yw_motor_started(void)
{
    ++yw.starts;
    if (yw_flag.bench) {
        yw_changed(YW_SAY_NODE);
    }
}

#endif
