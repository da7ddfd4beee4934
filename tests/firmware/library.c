/* The core as a shared library for the tests: its clock is theirs, and what it says is kept until they take it. */
#include "yw_site.h"

#include "yw_core.h"
#if defined(ON_A_LINE)
#include "yw_line.h"
#endif

enum {KEPT = 16384};

static uint8_t kept[KEPT];
static uint32_t clock_ms, kept_size;
static uint16_t pins;
static uint8_t cells[6];
static int16_t writes_left = -1; /* before the power fails; below 0 it never does */

uint32_t yw_clock_ms(void)
{
    return clock_ms;
}

#if defined(ON_A_LINE)
void yw_line_put(uint8_t byte)
{
    if (kept_size < KEPT) {
        kept[kept_size++] = byte;
    }
}
#else
bool yw_send(uint8_t message, const uint8_t *payload, yw_length length)
{
    if (kept_size + length + 3U > KEPT) {
        return false;
    }
    kept[kept_size++] = message;
    kept[kept_size++] = (uint8_t)length;
    kept[kept_size++] = (uint8_t)((unsigned)length >> 8);
    memcpy(&kept[kept_size], payload, length);
    kept_size += length;
    return true;
}
#endif

uint16_t yw_inputs(void)
{
    return pins;
}

#if YW_ROLE == YW_ROLE_IS_CRANE
int16_t least_step, most_step, last_setpoint, axis_calls;

int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
    ++axis_calls;
    if (axis == 0) {
        int16_t step = (int16_t)(setpoint - last_setpoint);
        last_setpoint = setpoint;
        least_step = step < least_step ? step : least_step;
        most_step = step > most_step ? step : most_step;
    }
    return setpoint;
}

void yw_axis_off(uint8_t axis)
{
    (void)axis;
}

void yw_spreader(bool closed)
{
    (void)closed;
}

void yw_spreader_off(void)
{
}
#else
static int8_t motor;

void yw_motor(int8_t percent)
{
    motor = percent;
}
#endif

uint8_t yw_cell_read(uint8_t cell)
{
    return cells[cell];
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    if (writes_left != 0) {
        cells[cell] = value;
        writes_left = (int16_t)(writes_left - (writes_left > 0));
    }
}

uint16_t yw_entropy(void)
{
    return 0x5EED;
}

/* ------------------------------------------------------------ for the tests */
void library_start(uint16_t boot, bool bench, uint16_t levels);
void library_at(uint32_t ms);
uint32_t library_take(uint8_t *into);
void library_pins(uint16_t levels);
uint32_t library_boot(int16_t writes);
void library_erase(void);
int library_motor(void);
bool library_reads(const uint8_t *payload, uint16_t length);
uint16_t library_json(uint8_t message, const uint8_t *payload, uint8_t length, uint8_t *into);
uint16_t library_cbor(const uint8_t *payload, uint16_t length, uint8_t *into);
int32_t library_position(int16_t reading);
int library_reading(uint16_t arm_to_end, uint16_t end_to_cut, uint16_t closed, uint8_t pauses, bool opened);

void library_start(uint16_t boot, bool bench, uint16_t levels)
{
    const struct yw_how how = {.boot = boot, .bench = bench, .reset = YW_NODE_STATUS_RESET_POWER_ON};
#if YW_ROLE == YW_ROLE_IS_CRANE
    memset(&yw_crane, 0, sizeof yw_crane);
    memset(&yw_axes, 0, sizeof yw_axes);
#elif YW_ROLE == YW_ROLE_IS_BERTH
    memset(&yw_berth, 0, sizeof yw_berth);
#else
    memset(&yw_shuttle, 0, sizeof yw_shuttle);
#endif
#if defined(ON_A_LINE)
    memset(&yw_line, 0, sizeof yw_line);
#endif
    kept_size = 0;
    pins = levels;
    yw_start(&how);
}

void library_at(uint32_t ms)
{
    clock_ms = ms;
}

uint32_t library_take(uint8_t *into)
{
    uint32_t size = kept_size;
    memcpy(into, kept, size);
    kept_size = 0;
    return size;
}

void library_pins(uint16_t levels)
{
    pins = levels;
}

/* Starts with so many writes of a cell before the power fails; gives the number of the boot, and in bit 16 `lost`. */
uint32_t library_boot(int16_t writes)
{
    bool lost = false;
    writes_left = writes;
    uint32_t boot = yw_next_boot(&lost);
    writes_left = -1;
    return boot | (uint32_t)lost << 16;
}

void library_erase(void)
{
    memset(cells, 0xFF, sizeof cells);
}

int library_motor(void)
{
#if YW_ROLE == YW_ROLE_IS_CRANE
    return yw_axes_move();
#else
    return motor;
#endif
}

bool library_reads(const uint8_t *payload, uint16_t length)
{
    struct yw_order order;
    struct yw_reader reader = {payload, (yw_size)length};
#if defined(YW_JSON)
    uint8_t room[YW_JSON_ORDER_ROOM];
    reader = yw_order_in_cbor(reader, room);
#endif
    return yw_read_order(&order, reader);
}

/* What the node says, in JSON; 0 where it was built without. `into` has room for the longest, and for no byte more. */
uint16_t library_json(uint8_t message, const uint8_t *payload, uint8_t length, uint8_t *into)
{
#if defined(YW_JSON)
    return yw_json_of(message, payload, length, into);
#else
    return (uint16_t)(message == 0xFF && payload == into && length);
#endif
}

/* The order that JSON becomes in CBOR: the fields that its act takes; 0 where it cannot be read. */
uint16_t library_cbor(const uint8_t *payload, uint16_t length, uint8_t *into)
{
    const struct yw_reader reader = {payload, (yw_size)length};
#if defined(YW_JSON)
    return yw_order_in_cbor(reader, into).left;
#else
    return (uint16_t)(reader.at == into);
#endif
}

/* Where the first axis of a crane goes for a reading at its first track, from the track's own zero. */
int32_t library_position(int16_t reading)
{
#if YW_ROLE == YW_ROLE_IS_CRANE
    for (uint8_t place = 0; place < YW_PLACES; ++place) {
        if (yw_place_figure(place, points)) {
            return yw_is_measured(place, reading) ? yw_shift(place, reading) : INT32_MIN;
        }
    }
#endif
    return reading == 0 ? 0 : INT32_MIN;
}

int library_reading(uint16_t arm_to_end, uint16_t end_to_cut, uint16_t closed, uint8_t pauses, bool opened)
{
#if YW_ROLE == YW_ROLE_IS_BERTH
    const struct yw_passage passage = {arm_to_end, end_to_cut, closed, pauses, opened};
    return yw_rest_reading(&passage);
#else
    return arm_to_end + end_to_cut + closed + pauses + opened;
#endif
}
