/* A shuttle: drives from stop to stop, and knows where it stands only by a sensor or a person. */
#ifndef YW_SHUTTLE_H
#define YW_SHUTTLE_H

#if !defined(YW_SHUTTLE_POWER)
#define YW_SHUTTLE_POWER 60 /* percent */
#endif

static const char yw_parts[4][7] YW_FLASH = {"stop-1", "stop-2", "stop-3", "stop-4"};

static struct {
    uint32_t due_ms, held_ms;
    uint16_t stop;
    uint8_t place, target, passed;
    bool reached, is_on;
} yw_shuttle;

/* Towards the target: to the last stop it is plus. */
static void yw_drive(bool on)
{
    if (on && !yw_shuttle.is_on) {
        yw_motor_started();
    }
    yw_shuttle.is_on = on;
    yw_motor((int8_t)(!on ? 0 : yw_shuttle.target > yw_shuttle.passed ? YW_SHUTTLE_POWER : -YW_SHUTTLE_POWER));
}

static uint8_t yw_role_load(void)
{
    return !YW_LOAD_SENSOR ? YW_LOAD_UNSURE : yw_is_closed(YW_STOPS) ? YW_LOAD_BOX : YW_LOAD_NONE;
}

static bool yw_moving(void)
{
    return false;
}

static void yw_role_body(void)
{
    yw_put_8(YW_KEY_SHUTTLE_STATUS_STATE, yw_state);
    if (yw_state == YW_SHUTTLE_STATUS_STATE_AT_PLACE) {
        yw_put_flash(YW_KEY_SHUTTLE_STATUS_PLACE, yw_stops[yw_shuttle.place]);
    }
    yw_put_16(YW_KEY_SHUTTLE_STATUS_STOP, yw_shuttle.stop);
    yw_put_8(YW_KEY_SHUTTLE_STATUS_LOAD, yw_role_load());
}

static void yw_role_start(void)
{
    yw_shuttle.place = YW_NO_WORD;
    yw_drive(false);
}

/* ------------------------------------------------------------ questions of the checks */

static uint8_t yw_stop_named(const struct yw_label *label)
{
    for (uint8_t stop = 0; stop < YW_STOPS; ++stop) {
        uint8_t i = 0;
        while (i < label->length && label->text[i] == (uint8_t)yw_flash_8(&yw_stops[stop][i])) {
            ++i;
        }
        if (i == label->length && yw_flash_8(&yw_stops[stop][i]) == 0) {
            return stop;
        }
    }
    return YW_NO_WORD;
}

static bool yw_role_load_fits(const struct yw_order *order)
{
    (void)order;
    return true;
}

static bool yw_role_knows_place(const struct yw_order *order)
{
    return yw_stop_named(&order->label[YW_LABEL_OF_TO]) != YW_NO_WORD;
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

/* A person can say at which stop it stands [SHT-06]. */
static bool yw_role_finding_fits(const struct yw_order *order)
{
    return yw_has(order, YW_KEY_JOB_ORDER_PLACE) && yw_stop_named(&order->label[YW_LABEL_OF_PLACE]) != YW_NO_WORD;
}

/* ------------------------------------------------------------ what happens to a shuttle */

static void yw_role_accept(const struct yw_order *order)
{
    yw_shuttle.target = yw_stop_named(&order->label[YW_LABEL_OF_TO]);
}

static void yw_role_begin(void)
{
    yw_fire(YW_EVENT_RUN, true);
    yw.job.past_return = true;
    yw_step(YW_STEP_TRAVEL);
    yw_shuttle.due_ms = yw.now_ms + (uint32_t)YW_RUN_TIMEOUT_MS;
    yw_shuttle.passed = yw_shuttle.place;
    yw_shuttle.reached = yw_shuttle.place == yw_shuttle.target;
    yw_shuttle.place = YW_NO_WORD;
    if (!yw_shuttle.reached) {
        yw_drive(true);
    }
}

/* Every time it comes to stand at a place is a stop of its own [SHT-05]. */
static void yw_stand_at(uint8_t place)
{
    yw_shuttle.place = place;
    ++yw_shuttle.stop;
    yw_changed(YW_SAY_ROLE);
}

static void yw_pass(uint8_t stop)
{
    if (yw_state != YW_SHUTTLE_STATUS_STATE_MOVING) {
        return;
    }
    yw_shuttle.passed = stop;
    if (stop == yw_shuttle.target) {
        yw_shuttle.reached = true;
        yw_drive(false);
    }
}

static uint8_t yw_first_of(uint8_t lines)
{
    uint8_t line = 0;
    while (line < YW_STOPS - 1 && !(lines >> line & 1)) {
        ++line;
    }
    return line;
}

static bool yw_role_tick(void)
{
    uint8_t lines = yw.changed_lines & (uint8_t)(YW_BIT(YW_STOPS) - 1U);
    yw.changed_lines = 0;
    for (uint8_t stop = 0; stop < YW_STOPS; ++stop) {
        if (lines >> stop & 1 && yw_is_closed(stop)) {
            yw_pass(stop);
        }
    }
    if (yw_state == YW_SHUTTLE_STATUS_STATE_AT_PLACE) {
        return yw_was_pushed(lines, yw_parts[yw_first_of(lines)]);
    }
    if (yw_state != YW_SHUTTLE_STATUS_STATE_MOVING || yw_flag.held) {
        return false;
    }
    if (yw_shuttle.reached) {
        yw_shuttle.reached = false;
        yw_fire(YW_EVENT_STOP, true);
        yw_stand_at(yw_shuttle.target);
        yw_stands();
        yw_finish();
        return true;
    }
    if ((int32_t)(yw.now_ms - yw_shuttle.due_ms) >= 0) {
        yw_halt(YW_FAULT_CODE_STOP_MISSED, NULL);
        return true;
    }
    return false;
}

static void yw_role_cancel(void)
{
}

static void yw_role_hold(void)
{
    yw_shuttle.held_ms = yw.now_ms;
    yw_drive(false);
}

static void yw_role_resume(void)
{
    yw_shuttle.due_ms += yw.now_ms - yw_shuttle.held_ms;
    if (yw_state == YW_SHUTTLE_STATUS_STATE_MOVING && !yw_shuttle.reached) {
        yw_drive(true);
    }
}

static void yw_role_halt(void)
{
    yw_drive(false);
    yw_shuttle.place = YW_NO_WORD;
    yw_shuttle.reached = false;
    yw_fire(YW_EVENT_HALT, true);
}

static void yw_role_power_lost(void)
{
    yw_drive(false);
}

static void yw_role_reset(const struct yw_order *order)
{
    bool is_found = yw_has(order, YW_KEY_JOB_ORDER_PLACE);
    if (yw_state == YW_SHUTTLE_STATUS_STATE_LOST && is_found) {
        yw_stand_at(yw_stop_named(&order->label[YW_LABEL_OF_PLACE]));
    }
    if (yw_fire(YW_EVENT_RESET_FAULT, is_found)) {
        yw_stands();
    }
}

#endif
