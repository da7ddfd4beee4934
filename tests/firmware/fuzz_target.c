/* A whole crane under bytes of any kind, with what must always hold: for libFuzzer, or with ALONE as a program that
 * plays files. An input is a row of acts: time passes, a payload comes, an order is made of a few bytes, the link goes. */
#include "yw_site.h"

#include "yw_core.h"

#include <stdio.h>
#include <stdlib.h>

static uint32_t clock_ms;
static uint16_t last_seq[YW_MESSAGES];
static bool has_seq[YW_MESSAGES];
static uint32_t held_ms;

enum {BRAKED_MS = 1500}; /* longer than any axis of harlow-basin brakes */

#define HOLDS(what)                                                                                                    \
    do {                                                                                                               \
        if (!(what)) {                                                                                                 \
            fprintf(stderr, "broken: %s (line %d)\n", #what, __LINE__);                                                \
            abort();                                                                                                   \
        }                                                                                                              \
    } while (0)

uint32_t yw_clock_ms(void)
{
    return clock_ms;
}

#if defined(YW_JSON)
/* The value of a member of the outermost object that is a number. */
static uint32_t member(struct yw_reader reader, const char *words)
{
    struct yw_reader begin;
    struct yw_head head = {0, 0, true};
    uint8_t key;
    HOLDS(yw_json_next(&reader, '{'));
    begin = reader;
    do {
        HOLDS(yw_json_next(&reader, '"'));
        struct yw_reader name = reader;
        bool is_it = yw_json_word(&name, words) == 0;
        reader = (struct yw_reader){reader.at - 1, (yw_size)(reader.left + 1)};
        HOLDS(yw_json_name(&reader, begin, &key));
        if (is_it) {
            HOLDS(yw_json_number(&reader, &head));
        } else {
            HOLDS(yw_json_skip(&reader));
        }
    } while (yw_json_next(&reader, ','));
    HOLDS(yw_json_next(&reader, '}') && reader.left == 0 && !head.is_huge);
    return head.value;
}

/* The payload is copied to memory of its own, as large as it is, and read back by the core's reader. */
bool yw_send(uint8_t message, const uint8_t *payload, yw_length length)
{
    uint8_t *copy = malloc(length);
    memcpy(copy, payload, length);
    struct yw_reader reader = {copy, (yw_size)length};
    HOLDS(yw_is_utf8(copy, reader.left) && !memchr(copy, ' ', length));
    HOLDS(member(reader, "boot\0") == yw.boot);
    uint32_t seq = member(reader, "seq\0");
    HOLDS(!has_seq[message] || (uint16_t)seq == (uint16_t)(last_seq[message] + 1U)); /* [MSG-07] */
    last_seq[message] = (uint16_t)seq;
    has_seq[message] = true;
    free(copy);
    return true;
}
#else
/* The payload is copied to memory of its own, as large as it is, and read back by the core's reader. */
bool yw_send(uint8_t message, const uint8_t *payload, yw_length length)
{
    uint8_t *copy = malloc(length);
    uint32_t seq = 0, boot = 0;
    struct yw_head head;
    memcpy(copy, payload, length);
    struct yw_reader reader = {copy, (yw_size)length};
    HOLDS(yw_skip(&reader) && reader.left == 0);
    reader = (struct yw_reader){copy + 1, (yw_size)(length - 1)};
    HOLDS(yw_read_head(&reader, &head) && head.value == 0 && yw_read_number(&reader, UINT16_MAX, &boot));
    HOLDS(boot == yw.boot);
    HOLDS(yw_read_head(&reader, &head) && head.value == 1 && yw_read_number(&reader, UINT16_MAX, &seq));
    HOLDS(!has_seq[message] || (uint16_t)seq == (uint16_t)(last_seq[message] + 1U)); /* [MSG-07] */
    last_seq[message] = (uint16_t)seq;
    has_seq[message] = true;
    free(copy);
    return true;
}
#endif

uint16_t yw_inputs(void)
{
    return 0;
}

int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
    HOLDS(axis < YW_AXES && yw_flag.power);
    return setpoint;
}

void yw_axis_off(uint8_t axis)
{
    HOLDS(axis < YW_AXES);
}

void yw_spreader(bool closed)
{
    HOLDS(!yw_flag.held && yw_job_open());
    HOLDS(closed || yw_leg() >> 4 == YW_OPEN || yw_leg() >> 4 == YW_RELEASE); /* never in the air [CRN-12] */
}

void yw_spreader_off(void)
{
}

uint8_t yw_cell_read(uint8_t cell)
{
    return cell;
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    HOLDS(cell < 6 || value);
}

uint16_t yw_entropy(void)
{
    return 4711;
}

static void receive(const uint8_t *bytes, uint16_t length)
{
    uint8_t *copy = malloc(length ? length : 1);
    if (length) {
        memcpy(copy, bytes, length);
    }
    yw_receive(copy, length, false);
    free(copy);
}

#if defined(YW_JSON)
/* An order for this boot with the next id; the act and the last field are the input's. */
static void order(uint8_t act, uint8_t key, uint8_t value)
{
    const char *word = yw_json_words_of(YW_KEY_JOB_ORDER_ACT), *name = yw_json_names;
    char made[160];
    unsigned long id = yw.mark + 1, deadline = (uint32_t)(yw_uptime() + 5000);
    for (act %= 15; act; --act) {
        word += strlen(word) + 1;
    }
    for (key = (uint8_t)(4 + key % 20); key; --key) {
        name += strlen(name) + 1;
    }
    int length = snprintf(made, sizeof made, "{\"boot\":%u,\"id\":%lu,\"act\":\"%s\",\"deadline\":%lu,\"%s\":%u}",
                          yw.boot, id, word, deadline, name, value % 24);
    receive((const uint8_t *)made, (uint16_t)length);
}
#else
/* An order for this boot with the next id; the act and the last field are the input's. */
static void order(uint8_t act, uint8_t key, uint8_t value)
{
    uint8_t made[64], *at = made;
    uint32_t id = yw.mark + 1, deadline = yw_uptime() + 5000;
    *at++ = 0xA5;
    *at++ = 0;
    *at++ = 0x19;
    *at++ = (uint8_t)(yw.boot >> 8);
    *at++ = (uint8_t)yw.boot;
    *at++ = 1;
    *at++ = 0x1A;
    for (int shift = 24; shift >= 0; shift -= 8) {
        *at++ = (uint8_t)(id >> shift);
    }
    *at++ = 2;
    *at++ = act % 15;
    *at++ = 3;
    *at++ = 0x1A;
    for (int shift = 24; shift >= 0; shift -= 8) {
        *at++ = (uint8_t)(deadline >> shift);
    }
    *at++ = 4 + key % 20;
    *at++ = value % 24;
    receive(made, (uint16_t)(at - made));
}
#endif

/* What must hold behind every act. */
static void look(uint32_t mark, const struct yw_job *job, uint16_t starts, bool was_held)
{
    HOLDS(yw.mark >= mark);                                                          /* [ORD-08] */
    HOLDS(yw.job.id <= yw.mark);
    HOLDS(yw.job.id != job->id || job->state <= YW_JOB_STATE_RUNNING || yw.job.state == job->state); /* [ORD-15] */
    HOLDS(!was_held || !yw_flag.held || yw.starts == starts);                             /* [HLD-03] */
    HOLDS(!(yw.active & YW_HALT_CODES) || !yw_job_open());                           /* [FLT-02] */
    HOLDS(yw_state != YW_CRANE_STATUS_MODE_READY || (yw_axes[0].homed && yw_axes[YW_HOIST].homed));
    HOLDS(yw_state != YW_CRANE_STATUS_MODE_READY || !yw_axes_move());                /* [CRN-11] */
    HOLDS(!(yw.active >> YW_FAULT_CODE_POWER_LOST & 1) || !yw_axes[0].homed);         /* [FLT-06] */
    held_ms = yw_flag.held && was_held ? held_ms : clock_ms;
    HOLDS(clock_ms - held_ms < BRAKED_MS || !yw_axes_move());                         /* [HLD-03] */
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        bool known = yw_axes[axis].homed && yw_axes[axis].homing == YW_NOT_HOMING && yw_state == YW_CRANE_STATUS_MODE_WORKING;
        HOLDS(!known || yw_reaches(axis, yw_axes[axis].target));                     /* [CRN-04] */
    }
    HOLDS(yw.played_count <= YW_PLAYED_MOST && !yw_untold);
}

static void start(void)
{
    const struct yw_how how = {.boot = 4711, .bench = true};
    clock_ms = UINT32_MAX - 20000; /* the wrap comes within an input */
    memset(&yw_crane, 0, sizeof yw_crane);
    memset(&yw_axes, 0, sizeof yw_axes);
    memset(has_seq, 0, sizeof has_seq);
    yw_start(&how);
    yw_connected();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const uint8_t *end = data + size;
    start();
    while (end - data >= 4) {
        uint32_t mark = yw.mark;
        struct yw_job job = yw.job;
        uint16_t starts = yw.starts;
        bool held = yw_flag.held;
        uint8_t what = *data++;
        if (what < 100) {
            for (uint8_t ms = what; ms; --ms) {
                clock_ms += 4;
                yw_tick();
            }
        } else if (what < 200) {
            uint16_t length = *data;
            ++data;
            length = length < end - data ? length : (uint16_t)(end - data);
            receive(data, length);
            data += length;
        } else if (what < 250) {
            order(data[0], data[1], data[2]);
            data += 3;
        } else {
            yw_disconnected();
            yw_tick();
            yw_connected();
        }
        look(mark, &job, starts, held);
    }
    return 0;
}

#if defined(ALONE)
int main(int count, char **names)
{
    static uint8_t data[4096];
    for (int i = 1; i < count; ++i) {
        FILE *file = fopen(names[i], "rb");
        if (!file) {
            return 2;
        }
        size_t size = fread(data, 1, sizeof data, file);
        fclose(file);
        LLVMFuzzerTestOneInput(data, size);
    }
    return 0;
}
#endif
