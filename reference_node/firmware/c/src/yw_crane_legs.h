/* The legs of a job of a crane: what moves in each, when it has ended, and which comes next. */
#ifndef YW_CRANE_LEGS_H
#define YW_CRANE_LEGS_H

static YW_APART void yw_set_spreader(uint8_t state)
{
    yw_crane.spreader = state;
    yw_changed(YW_SAY_ROLE);
}

static void yw_drive_spreader(bool closing)
{
    uint8_t wanted = closing ? YW_CRANE_STATUS_SPREADER_CLOSED : YW_CRANE_STATUS_SPREADER_OPEN;
    if (yw_crane.spreader == wanted) {
        return;
    }
    yw_crane.closing = closing;
    yw_crane.grip_ms = (uint16_t)yw.now_ms;
    yw_set_spreader(YW_CRANE_STATUS_SPREADER_MOVING);
    yw_motor_started();
    yw_spreader(closing);
}

/* Where an axis has to go in the present leg. */
static int16_t yw_leg_target(uint8_t axis)
{
    if (yw_leg() >> 4 == YW_UP) {
        return YW_TRAVEL;
    }
    if (yw.job.act != YW_ACT_TRANSFER) {
        return yw_crane.goal.target[axis];
    }
    return yw_position(axis, yw_crane.leg < YW_LIFT ? &yw_crane.goal.box.pick : &yw_crane.goal.box.drop, yw_crane.goal.box.reading);
}

/* Whether an axis moves in the present leg. */
static YW_APART bool yw_leg_moves(uint8_t axis)
{
    return (yw_leg() >> 4 == YW_OVER) != (axis == YW_HOIST);
}

/* Begins a leg, again after a hold. */
static void yw_begin_leg(void)
{
    switch (yw_leg() >> 4) {
    case YW_OPEN:
    case YW_RELEASE:
        yw_drive_spreader(false);
        break;
    case YW_GRIP:
        yw_drive_spreader(true);
        break;
    case YW_HOME:
        yw_axis_seek(yw_crane.homing);
        break;
    default:
        for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
            if (yw_leg_moves(axis)) {
                yw_axis_move(axis, yw_leg_target(axis), 1);
            }
        }
    }
}

/* Goes on to the next leg, or is done with the job. */
static void yw_next_leg(void)
{
    uint8_t leg = yw_leg();
    yw_crane.gripped = false;
    if (leg == YW_END) {
        yw_crane.leg = YW_NO_LEG;
        yw_fire(YW_EVENT_FINISH, true);
        yw_finish();
        return;
    }
    if (yw_crane.leg >= YW_LIFT - 1 && yw.job.act == YW_ACT_TRANSFER) {
        yw.job.past_return = true; /* from the grip on something may be picked [ORD-17] */
    }
    yw_step(leg & 15);
    yw_begin_leg();
}

/* The spreader has moved, and a sensor, where there is one, feels the load that was wanted. */
static bool yw_has_load(uint8_t wanted, uint8_t otherwise)
{
    if (yw_crane.spreader == YW_CRANE_STATUS_SPREADER_MOVING) {
        return false;
    }
    if (!YW_LOAD_SENSOR) {
        yw_crane.load = wanted;
        yw_changed(YW_SAY_ROLE);
    }
    if (yw_crane.load == wanted) {
        return true;
    }
    if (!yw_crane.gripped) {
        yw_crane.gripped = true;
        yw_crane.grip_ms = (uint16_t)yw.now_ms;
    } else if ((uint16_t)((uint16_t)yw.now_ms - yw_crane.grip_ms) >= YW_FEEL_MS) {
        yw_halt(otherwise, yw_part_spreader);
    }
    return false;
}

static bool yw_leg_ended(void)
{
    switch (yw_leg() >> 4) {
    case YW_OPEN:
        return yw_crane.spreader == YW_CRANE_STATUS_SPREADER_OPEN;
    case YW_GRIP:
        return yw_has_load(YW_LOAD_BOX, YW_FAULT_CODE_PICK_MISSED);
    case YW_RELEASE:
        return yw_has_load(YW_LOAD_NONE, YW_FAULT_CODE_DROP_FAILED);
    case YW_HOME:
        return yw_axis_is_home(yw_crane.homing);
    default:
        for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
            if (yw_leg_moves(axis) && !yw_axis_is_at(axis, yw_leg_target(axis))) {
                return false;
            }
        }
        return true;
    }
}

/* The axis that a late job waits for. */
static const char *yw_slowest(void)
{
    uint8_t axis = 0;
    while (axis < YW_HOIST && yw_axis_of(axis)->homed && yw_axis_is_at(axis, yw_axis_of(axis)->target)) {
        ++axis;
    }
    return yw_axis_sites[axis].name;
}

static bool yw_proceed(void)
{
    uint8_t step = yw_leg_step();
    if ((int32_t)(yw.now_ms - yw_crane.due_ms) >= 0) {
        yw_halt(step == YW_STEP_HOMING ? YW_FAULT_CODE_HOME_MISSED : YW_FAULT_CODE_AXIS_STUCK, yw_slowest());
        return true;
    }
    bool carries = step == YW_STEP_LIFT || step == YW_STEP_TRAVEL_TO_DROP || step == YW_STEP_LOWER_TO_DROP;
    if (carries && yw_crane.load != YW_LOAD_BOX) {
        yw_halt(YW_FAULT_CODE_PICK_MISSED, yw_part_spreader);
        return true;
    }
    if (!yw_leg_ended()) {
        return !yw_has_leg();
    }
    if (yw_leg() >> 4 == YW_HOME && yw_crane.homing != (YW_HOIST ? YW_HOIST - 1 : 0)) {
        yw_crane.homing = yw_crane.homing == YW_HOIST ? 0 : (uint8_t)(yw_crane.homing + 1); /* the hoist comes first */
    } else {
        ++yw_crane.leg;
    }
    yw_next_leg();
    return true;
}

#endif
