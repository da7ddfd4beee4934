/* A berth: lets a train in, finds out where it came to rest, lets it go. A train is found, not counted. */
#ifndef YW_BERTH_H
#define YW_BERTH_H

enum {YW_ARMING = YW_SENSOR_ARMING, YW_ENDING = YW_SENSOR_END, YW_DEPART_POWER = 100};
#define YW_REST_MS 3000 /* longer than any train rolls without power */

static const char yw_parts[2][7] YW_FLASH = {"arming", "end"};

static struct {
    uint32_t begun_ms, armed_ms, cut_ms, held_ms, last_ms;
    uint16_t armed_at, end_at, arm_to_end_ms, arrival, ignored;
    int16_t reading;
    struct yw_passage passage;
    uint8_t power, train_length;
    bool ended, coasts, moved, held_here; /* moved: a sensor has seen that the train leaves */
    char train[YW_TRAIN_LENGTH];
} yw_berth;

static void yw_drive(uint8_t power)
{
    if (power && !yw_berth.power) {
        yw_motor_started();
    }
    yw_berth.power = power;
    yw_motor((int8_t)power);
}

static uint8_t yw_role_load(void)
{
    return YW_LOAD_UNSURE;
}

static bool yw_moving(void)
{
    return false;
}

static void yw_role_body(void)
{
    yw_put_8(YW_KEY_TRAIN_ARRIVAL_STATE, yw_state);
    yw_put_16(YW_KEY_TRAIN_ARRIVAL_ARRIVAL, yw_berth.arrival);
    if (yw_state == YW_TRAIN_ARRIVAL_STATE_AT_REST) {
        yw_put_key(YW_KEY_TRAIN_ARRIVAL_READING);
        yw_put_signed(yw_berth.reading);
    }
    yw_put_16(YW_KEY_TRAIN_ARRIVAL_IGNORED, yw_berth.ignored);
    if (yw_state == YW_TRAIN_ARRIVAL_STATE_AT_REST) {
        yw_put_16(YW_KEY_TRAIN_ARRIVAL_ARM_TO_END, yw_berth.arm_to_end_ms);
    }
    if (yw_berth.train_length && yw_state != YW_TRAIN_ARRIVAL_STATE_EMPTY) {
        yw_put_text(YW_KEY_TRAIN_ARRIVAL_TRAIN, yw_berth.train, yw_berth.train_length);
    }
}

static void yw_role_start(void)
{
    yw_drive(0);
}

/* ------------------------------------------------------------ questions of the checks */

static bool yw_role_load_fits(const struct yw_order *order)
{
    (void)order;
    return true;
}

static bool yw_role_knows_place(const struct yw_order *order)
{
    (void)order;
    return true;
}

static bool yw_role_within_table(const struct yw_order *order)
{
    (void)order;
    return true;
}

static bool yw_role_within_reach(const struct yw_order *order)
{
    (void)order;
    return true;
}

/* Of a track a person can say that it is empty, and no more. */
static bool yw_role_finding_fits(const struct yw_order *order)
{
    return yw_has(order, YW_KEY_JOB_ORDER_FOUND) && yw_found(order) == YW_RESET_FAULT_FOUND_NONE &&
           !yw_has(order, YW_KEY_JOB_ORDER_PLACE);
}

/* ------------------------------------------------------------ what happens to a berth */

/* Every admit that is accepted is an arrival of its own [BER-06]. */
static void yw_role_accept(const struct yw_order *order)
{
    if (yw_act(order) == YW_ACT_ADMIT) {
        const struct yw_label *train = &order->label[YW_LABEL_OF_TRAIN];
        ++yw_berth.arrival;
        yw_berth.train_length = train->length;
        if (train->length) {
            memcpy(yw_berth.train, train->text, train->length);
        }
    }
}

static void yw_berth_lost(uint8_t code, uint8_t part)
{
    yw_halt(code, yw_parts[part]);
}

static void yw_role_begin(void)
{
    yw_fire(yw.job.act, true);
    yw.job.past_return = true;
    yw_berth.begun_ms = yw_berth.last_ms = yw.now_ms;
    yw_berth.moved = false;
    if (yw.job.act == YW_ACT_DEPART) {
        yw_drive(YW_DEPART_POWER);
        yw_step(YW_STEP_LEAVING);
        return;
    }
    yw_berth.ended = yw_berth.coasts = false;
    yw_berth.ignored = 0;
    memset(&yw_berth.passage, 0, sizeof yw_berth.passage);
    if (yw.raw >> YW_ARMING & 1) {
        yw_berth_lost(YW_FAULT_CODE_INPUT_LOST, YW_ARMING); /* a train is there, or the line is stuck */
        return;
    }
    yw_drive(YW_APPROACH_POWER);
    yw_step(YW_STEP_APPROACH);
}

static bool yw_is_over(uint32_t since_ms, uint32_t most_ms)
{
    return yw.now_ms - since_ms >= most_ms;
}

/* Takes the change of a line, where it has one. */
static bool yw_took(uint8_t line)
{
    uint8_t bit = (uint8_t)(1U << line);
    bool changed = yw.changed_lines & bit;
    yw.changed_lines &= (uint8_t)~bit;
    return changed;
}

/* Until armed a pulse of the end sensor is counted, and changes nothing [BER-04]. */
static bool yw_approaches(void)
{
    bool both = yw.changed_lines == 3;
    bool end_first = !both || (int16_t)(yw.since_ms[YW_ENDING] - yw.since_ms[YW_ARMING]) < 0;
    if (end_first && yw_took(YW_ENDING) && yw_is_closed(YW_ENDING)) {
        ++yw_berth.ignored;
        yw_fire(YW_EVENT_END, true);
        return true;
    }
    if (yw_took(YW_ARMING) && yw_is_closed(YW_ARMING)) {
        yw_berth.armed_ms = yw.now_ms;
        yw_berth.armed_at = yw.since_ms[YW_ARMING];
        yw_fire(YW_EVENT_ARMING, true);
        yw_drive(yw_flag.held ? 0 : YW_CREEP_POWER);
        yw_step(YW_STEP_ARMING_PASSED);
        return true;
    }
    if (!yw_flag.held && yw_is_over(yw_berth.begun_ms, YW_ARMING_TIMEOUT_MS)) {
        yw_berth_lost(YW_FAULT_CODE_NOT_ARMED, YW_ARMING);
        return true;
    }
    return false;
}

static void yw_comes_to_rest(void)
{
    yw_berth.arm_to_end_ms = yw_berth.passage.arm_to_end_ms;
    yw_berth.reading = yw_rest_reading(&yw_berth.passage);
    yw_fire(YW_EVENT_REST, true);
    yw_stands();
    yw_finish();
}

/* The first pulse of the end sensor cuts the power; how long it lasts tells how the train slows down. */
static bool yw_passes_end(void)
{
    yw_took(YW_ARMING);
    if (yw_took(YW_ENDING)) {
        if (!yw_berth.ended && yw_is_closed(YW_ENDING)) {
            if (yw_flag.held) { /* it rolls out already, from an unknown speed: no reading could be true */
                yw_berth_lost(YW_FAULT_CODE_END_MISSED, YW_ENDING);
                return true;
            }
            yw_berth.ended = true;
            yw_berth.cut_ms = yw.now_ms;
            yw_berth.end_at = yw.since_ms[YW_ENDING];
            yw_berth.passage.arm_to_end_ms = (uint16_t)(yw_berth.end_at - yw_berth.armed_at);
            yw_berth.passage.end_to_cut_ms = (uint16_t)((uint16_t)yw.now_ms - yw_berth.end_at);
            yw_drive(0);
        } else if (yw_berth.ended && !yw_is_closed(YW_ENDING) && !yw_berth.passage.opened) {
            yw_berth.passage.opened = true;
            yw_berth.passage.closed_ms = (uint16_t)(yw.since_ms[YW_ENDING] - yw_berth.end_at);
        }
    }
    if (yw_berth.ended && yw_is_over(yw_berth.cut_ms, YW_REST_MS)) {
        yw_comes_to_rest();
        return true;
    }
    if (yw_berth.ended && !yw_berth.coasts && !yw_flag.held) {
        yw_berth.coasts = true;
        yw_step(YW_STEP_COASTING);
        return true;
    }
    if (!yw_berth.ended && !yw_flag.held && yw_is_over(yw_berth.armed_ms, YW_END_TIMEOUT_MS)) {
        yw_berth_lost(YW_FAULT_CODE_END_MISSED, YW_ENDING);
        return true;
    }
    return false;
}

/* Gone once the sensors, having seen it move, have been quiet for long enough. */
static bool yw_leaves(void)
{
    if (yw.changed_lines) {
        yw.changed_lines = 0;
        yw_berth.moved = true;
        yw_berth.last_ms = yw.now_ms;
    }
    if (yw_flag.held || !yw_is_over(yw_berth.last_ms, yw_berth.moved ? YW_CLEAR_MS : YW_ARMING_TIMEOUT_MS)) {
        return false;
    }
    if (!yw_berth.moved) {
        yw_halt(YW_FAULT_CODE_TRAIN_STUCK, NULL);
        return true;
    }
    yw_drive(0);
    yw_fire(YW_EVENT_GONE, true);
    yw_stands();
    yw_finish();
    return true;
}

static bool yw_role_tick(void)
{
    uint8_t lines = yw.changed_lines;
    switch (yw_state) {
    case YW_TRAIN_ARRIVAL_STATE_ADMITTING:
        return yw_approaches();
    case YW_TRAIN_ARRIVAL_STATE_ARMED:
        return yw_passes_end();
    case YW_TRAIN_ARRIVAL_STATE_LEAVING:
        return yw_leaves();
    case YW_TRAIN_ARRIVAL_STATE_LOST:
        yw.changed_lines = 0;
        return false;
    default:
        yw.changed_lines = 0;
        return yw_was_pushed(lines, yw_parts[lines & 1 ? YW_ARMING : YW_ENDING]);
    }
}

static void yw_role_cancel(void)
{
}

static void yw_role_hold(void)
{
    yw_berth.held_ms = yw.now_ms;
    yw_drive(0);
}

static uint32_t yw_later(uint32_t one_ms, uint32_t other_ms)
{
    return (int32_t)(one_ms - other_ms) > 0 ? one_ms : other_ms;
}

/* The time held counts for no time-out and for no speed [HLD-05]. */
static void yw_role_resume(void)
{
    yw_berth.begun_ms += yw.now_ms - yw_berth.held_ms;
    yw_berth.last_ms += yw.now_ms - yw_later(yw_berth.held_ms, yw_berth.last_ms);
    if (yw_state == YW_TRAIN_ARRIVAL_STATE_ARMED && !yw_berth.ended) {
        uint32_t stood_ms = yw.now_ms - yw_later(yw_berth.held_ms, yw_berth.armed_ms);
        yw_berth.armed_ms += stood_ms;
        yw_berth.armed_at = (uint16_t)(yw_berth.armed_at + (uint16_t)stood_ms);
        ++yw_berth.passage.pauses;
        yw_drive(YW_CREEP_POWER);
    } else if (yw_state == YW_TRAIN_ARRIVAL_STATE_ADMITTING) {
        yw_drive(YW_APPROACH_POWER);
    } else if (yw_state == YW_TRAIN_ARRIVAL_STATE_LEAVING) {
        yw_drive(YW_DEPART_POWER);
    }
}

static void yw_role_halt(void)
{
    yw_drive(0);
    yw_fire(YW_EVENT_HALT, true);
}

static void yw_role_power_lost(void)
{
    yw_drive(0);
}

static void yw_role_reset(const struct yw_order *order)
{
    bool found_empty = yw_has(order, YW_KEY_JOB_ORDER_FOUND) && yw_found(order) == YW_RESET_FAULT_FOUND_NONE;
    if (yw_fire(YW_EVENT_RESET_FAULT, found_empty)) {
        yw_stands();
    }
}

#endif
