/* A crane: homes, parks, jogs, and moves one box at a time, in legs that it reports. */
#ifndef YW_CRANE_H
#define YW_CRANE_H

#if !defined(YW_GRIP_MS)
#define YW_GRIP_MS 400 /* what the spreader takes to close or to open */
#endif
#define YW_FEEL_MS 1500 /* what the load sensor may take after that */

/* What a leg does, and the step that it is part of: a byte each. */
enum {YW_END, YW_OPEN, YW_UP, YW_OVER, YW_DOWN, YW_GRIP, YW_RELEASE, YW_HOME};
#define YW_LEG(what, step) ((uint8_t)(YW_##what << 4 | YW_STEP_##step))
enum {YW_TRANSFER = 0, YW_LIFT = 5, YW_DROP = 6, YW_GO = 12, YW_HOMING = 16, YW_NO_LEG = 18};

static const uint8_t yw_legs[] YW_FLASH = {
    /* YW_TRANSFER */ YW_LEG(OPEN, TRAVEL_TO_PICK), YW_LEG(UP, TRAVEL_TO_PICK), YW_LEG(OVER, TRAVEL_TO_PICK),
    YW_LEG(DOWN, LOWER_TO_PICK), YW_LEG(GRIP, GRIP),
    /* YW_LIFT */ YW_LEG(UP, LIFT),
    /* YW_DROP */ YW_LEG(UP, TRAVEL_TO_DROP), YW_LEG(OVER, TRAVEL_TO_DROP), YW_LEG(DOWN, LOWER_TO_DROP),
    YW_LEG(RELEASE, RELEASE), YW_LEG(UP, CLEAR), YW_END,
    /* YW_GO */ YW_LEG(UP, TRAVEL), YW_LEG(OVER, TRAVEL), YW_LEG(DOWN, TRAVEL), YW_END,
    /* YW_HOMING */ YW_LEG(HOME, HOMING), YW_END,
};

static const char yw_part_spreader[] YW_FLASH = "spreader";

static struct {
    union {
        struct {
            struct yw_where pick, drop;
            int16_t reading;
        } box;                   /* of a transfer */
        int16_t target[YW_AXES]; /* of a jog or park */
    } goal;
    uint32_t due_ms, held_ms;
    uint16_t grip_ms;
    uint8_t leg, homing, load, spreader;
    bool closing, braking, gripped; /* gripped: the spreader has moved, and its sensor is waited for */
} yw_crane;

static uint8_t yw_leg(void)
{
    return yw_flash_8(&yw_legs[yw_crane.leg]);
}

static bool yw_has_leg(void)
{
    return yw_crane.leg != YW_NO_LEG;
}

static uint8_t yw_leg_step(void)
{
    return yw_leg() & 15;
}

static uint8_t yw_felt(void)
{
    return yw_is_closed(YW_AXES) ? YW_LOAD_BOX : YW_LOAD_NONE;
}

/* After a fault nobody knows the load until its sensor has settled; that the fault is reset tells nothing. */
static void yw_feel_load(void)
{
    if (!yw_is_unsettled(YW_AXES)) {
        yw_crane.load = yw_felt();
    } else if (yw_state == YW_CRANE_STATUS_MODE_FAULTED) {
        yw_crane.load = YW_LOAD_UNSURE;
    }
}

static uint8_t yw_role_load(void)
{
    return yw_crane.load;
}

static YW_APART bool yw_moving(void)
{
    return yw_axes_move() || yw_crane.spreader == YW_CRANE_STATUS_SPREADER_MOVING;
}

static void yw_role_body(void)
{
    yw_put_8(YW_KEY_CRANE_STATUS_MODE, yw_state);
    yw_put_key(YW_KEY_CRANE_STATUS_AXES);
    yw_put_head(YW_ARRAY, YW_AXES);
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        yw_put_head(YW_ARRAY, 3);
        yw_put_signed(yw_axis_of(axis)->at);
        yw_put_signed(yw_axis_of(axis)->target);
        yw_put_bool(yw_axis_of(axis)->homed);
    }
    yw_put_8(YW_KEY_CRANE_STATUS_SPREADER, yw_crane.spreader);
    yw_put_8(YW_KEY_CRANE_STATUS_LOAD, yw_role_load());
}

static void yw_role_start(void)
{
    yw_crane.leg = YW_NO_LEG;
    yw_crane.spreader = YW_CRANE_STATUS_SPREADER_UNSURE;
    yw_moved_ms = (uint16_t)yw.now_ms;
    yw_spreader_off();
    yw_axes_lost();
    yw_crane.load = YW_LOAD_SENSOR ? yw_felt() : YW_LOAD_UNSURE;
    if (!YW_LOAD_SENSOR) {
        yw_warn(YW_FAULT_CODE_LOAD_UNSURE); /* [CRN-09] */
    }
}

/* ------------------------------------------------------------ questions of the checks */

static bool yw_role_load_fits(const struct yw_order *order)
{
    uint8_t wanted = yw_has(order, YW_KEY_JOB_ORDER_FROM) ? YW_LOAD_NONE : YW_LOAD_BOX;
    return yw_act(order) != YW_ACT_TRANSFER || yw_crane.load == wanted;
}

/* Finds one end of a transfer. No job is open here, so the ends of the one before are not needed any more. */
static bool yw_find(const struct yw_order *order, uint8_t label, uint8_t slot, struct yw_where *where)
{
    where->place = yw_place_named(&order->label[label]);
    if (where->place == YW_NO_WORD || order->number[slot] >= yw_place_figure(where->place, slots)) {
        return false;
    }
    where->slot = (uint8_t)order->number[slot];
    uint8_t kind = yw_place_figure(where->place, kind);
    return (kind != YW_TRACK || yw_has(order, YW_KEY_JOB_ORDER_READING)) &&
           (kind != YW_DECK || yw_has(order, YW_KEY_JOB_ORDER_STOP)); /* [CRN-07] */
}

static bool yw_role_knows_place(const struct yw_order *order)
{
    if (yw_act(order) != YW_ACT_TRANSFER) {
        return true;
    }
    if (!yw_find(order, YW_LABEL_OF_TO, YW_NUMBER_OF_TO_SLOT, &yw_crane.goal.box.drop)) {
        return false;
    }
    if (!yw_has(order, YW_KEY_JOB_ORDER_FROM)) {
        yw_crane.goal.box.pick = yw_crane.goal.box.drop;
        return true;
    }
    return yw_find(order, YW_LABEL_OF_FROM, YW_NUMBER_OF_FROM_SLOT, &yw_crane.goal.box.pick) &&
           !(yw_crane.goal.box.pick.place != yw_crane.goal.box.drop.place && yw_place_figure(yw_crane.goal.box.pick.place, kind) == YW_TRACK &&
             yw_place_figure(yw_crane.goal.box.drop.place, kind) == YW_TRACK);
}

static bool yw_role_within_table(const struct yw_order *order)
{
    return yw_act(order) != YW_ACT_TRANSFER || (yw_is_measured(yw_crane.goal.box.pick.place, order->reading) &&
                                                yw_is_measured(yw_crane.goal.box.drop.place, order->reading));
}

static bool yw_role_within_reach(const struct yw_order *order)
{
    uint8_t act = yw_act(order);
    if (act == YW_ACT_JOG && order->targets != YW_AXES) {
        return false;
    }
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        if (act == YW_ACT_JOG && !yw_reaches(axis, order->target[axis])) {
            return false;
        }
        if (act == YW_ACT_TRANSFER && (!yw_reaches(axis, yw_position(axis, &yw_crane.goal.box.pick, order->reading)) ||
                                       !yw_reaches(axis, yw_position(axis, &yw_crane.goal.box.drop, order->reading)))) {
            return false;
        }
    }
    return true;
}

static bool yw_role_finding_fits(const struct yw_order *order)
{
    return yw_has(order, YW_KEY_JOB_ORDER_FOUND) && !yw_has(order, YW_KEY_JOB_ORDER_PLACE);
}

#include "yw_crane_legs.h"

/* ------------------------------------------------------------ what happens to a crane */

static void yw_role_accept(const struct yw_order *order)
{
    switch (yw_act(order)) {
    case YW_ACT_HOME:
        yw_crane.homing = YW_HOIST;
        yw.job.step = YW_NO_WORD;
        yw_crane.leg = YW_HOMING;
        break;
    case YW_ACT_TRANSFER:
        yw_crane.goal.box.reading = order->reading;
        yw_crane.leg = yw_has(order, YW_KEY_JOB_ORDER_FROM) ? YW_TRANSFER : YW_LIFT;
        break;
    default:
        for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
            yw_crane.goal.target[axis] = yw_act(order) == YW_ACT_PARK ? yw_axis_figure(axis, park) : order->target[axis];
        }
        yw_crane.leg = YW_GO;
    }
}

static void yw_role_begin(void)
{
    yw_fire(yw.job.act, true);
    if (yw.job.act == YW_ACT_HOME) {
        yw_axes_unhomed();
    }
    yw_crane.due_ms = yw.now_ms + (uint32_t)YW_JOB_TIMEOUT_MS;
    yw_next_leg();
}

static void yw_brake_all(void)
{
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        yw_axis_brake(axis);
    }
    if (yw_crane.spreader == YW_CRANE_STATUS_SPREADER_MOVING) {
        yw_spreader_off(); /* fingers under way stand */
        yw_set_spreader(YW_CRANE_STATUS_SPREADER_UNSURE);
    }
}

/* 'ready' means that every axis stands on its target, so the mode waits for that [CRN-11]. */
static bool yw_come_to_rest(void)
{
    if (yw_moving()) {
        return false;
    }
    yw_crane.braking = false;
    yw_fire(YW_EVENT_CANCEL, true);
    return true;
}

static void yw_role_cancel(void)
{
    yw_crane.leg = YW_NO_LEG;
    yw_brake_all();
    yw_crane.braking = yw_state == YW_CRANE_STATUS_MODE_HOMING || yw_state == YW_CRANE_STATUS_MODE_WORKING;
    if (yw_crane.braking) {
        yw_come_to_rest();
    }
}

static void yw_role_hold(void)
{
    yw_crane.held_ms = yw.now_ms;
    yw_brake_all();
}

/* The leg under way begins again where it was stopped. */
static void yw_role_resume(void)
{
    yw_crane.due_ms += yw.now_ms - yw_crane.held_ms;
    yw_crane.gripped = false;
    if (yw_has_leg() && yw.job.state == YW_JOB_STATE_RUNNING) {
        yw_begin_leg();
    }
}

static void yw_role_halt(void)
{
    bool half = !YW_LOAD_SENSOR && yw_has_leg() &&
                (yw_leg_step() == YW_STEP_GRIP || yw_leg_step() == YW_STEP_RELEASE);
    yw_crane.leg = YW_NO_LEG;
    yw_crane.braking = false;
    yw_brake_all();
    yw_fire(YW_EVENT_HALT, true);
    if (YW_LOAD_SENSOR) {
        yw_feel_load();
    }
    if (half) {
        yw_crane.load = YW_LOAD_UNSURE;
        yw_warn(YW_FAULT_CODE_LOAD_UNSURE);
    }
}

static void yw_role_power_lost(void)
{
    yw_brake_all();
    yw_spreader_off();
    yw_axes_lost();
}

/* A person's word settles a load that no sensor feels. Moves nothing [FLT-05]. */
static void yw_role_reset(const struct yw_order *order)
{
    bool homed = true;
    if (!YW_LOAD_SENSOR && yw_has(order, YW_KEY_JOB_ORDER_FOUND)) {
        yw_crane.load = yw_found(order) == YW_RESET_FAULT_FOUND_BOX ? YW_LOAD_BOX : YW_LOAD_NONE;
        yw_changed(YW_SAY_ROLE);
        yw_clear(YW_FAULT_CODE_LOAD_UNSURE);
    }
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        homed = homed && yw_axis_of(axis)->homed;
    }
    yw_fire(YW_EVENT_RESET_FAULT, homed);
}

/* Moved by hand from the switch on, once no job is open; after it no position means anything. */
static bool yw_follow_hand(void)
{
    bool by_hand = yw_is_closed(YW_LINES - 1), was = yw_state == YW_CRANE_STATUS_MODE_MANUAL;
    if (by_hand == was || yw_job_open() || !yw_fire(by_hand ? YW_EVENT_BY_HAND : YW_EVENT_BY_HAND_END, true)) {
        return false;
    }
    yw_axes_unhomed();
    return true;
}

/* At most one thing changes; true where something did, and more may follow. */
static bool yw_role_tick(void)
{
    yw_axes_follow();
    uint16_t moved_ms = (uint16_t)((uint16_t)yw.now_ms - yw_crane.grip_ms);
    if (yw_crane.spreader == YW_CRANE_STATUS_SPREADER_MOVING && moved_ms >= YW_GRIP_MS) {
        yw_set_spreader(yw_crane.closing ? YW_CRANE_STATUS_SPREADER_CLOSED : YW_CRANE_STATUS_SPREADER_OPEN);
    }
    if (YW_LOAD_SENSOR) {
        yw_feel_load();
    }
    if (yw_follow_hand()) {
        return true;
    }
    if (yw_crane.braking) {
        return yw_come_to_rest();
    }
    return yw_has_leg() && !yw_flag.held && yw.job.state == YW_JOB_STATE_RUNNING && yw_proceed();
}

#endif
