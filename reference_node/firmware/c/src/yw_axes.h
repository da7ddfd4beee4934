/* Setpoints of the axes of a crane: bounded speed and acceleration, integers alone. The last axis is the hoist. */
#ifndef YW_AXES_H
#define YW_AXES_H

enum {YW_MOTION_MS = 10, YW_HOIST = YW_AXES - 1};

/* How an axis looks for its home switch. */
enum {YW_NOT_HOMING, YW_TO_THE_SWITCH, YW_OFF_THE_SWITCH, YW_BACK_HOME};

static struct yw_axis_state {
    int16_t setpoint, target, speed;
    int16_t at, origin; /* where it is; setpoint of the board's own count 0 */
    int8_t rest;        /* of a step below one unit, in hundredths */
    uint8_t part;       /* of its full speed: half for 2 */
    uint8_t homing;
    bool homed, is_on;  /* is_on: it was ordered to move since the start or a loss of power [SAF-02] */
} yw_axes[YW_AXES];

static uint16_t yw_moved_ms;

#define yw_axis_figure(axis, field) yw_axis_word(axis, offsetof(struct yw_axis_site, field))

static YW_APART int16_t yw_axis_word(uint8_t axis, uint8_t at)
{
    const void *figure = (const uint8_t *)&yw_axis_sites[axis] + at;
    return (int16_t)yw_flash_16((const int16_t *)figure);
}

static YW_APART struct yw_axis_state *yw_axis_of(uint8_t axis)
{
    return &yw_axes[axis];
}

static bool yw_axis_moves(uint8_t axis)
{
    return yw_axis_of(axis)->target != yw_axis_of(axis)->setpoint || yw_axis_of(axis)->speed != 0;
}

static bool yw_axes_move(void)
{
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        if (yw_axis_moves(axis)) {
            return true;
        }
    }
    return false;
}

/* What the speed may change by in one step of motion. */
static int16_t yw_axis_change(uint8_t axis)
{
    int16_t change = (int16_t)(yw_axis_figure(axis, acceleration) / (1000 / YW_MOTION_MS));
    return change > 0 ? change : 1;
}

static YW_APART uint16_t yw_size_of(int16_t number)
{
    return (uint16_t)(number < 0 ? -number : number);
}

/* The speed squared, and what that is at a way of 1 from rest: their quotient is the way in which an axis comes to rest. */
static uint32_t yw_axis_squared(uint8_t axis)
{
    uint16_t speed = yw_size_of(yw_axis_of(axis)->speed);
    return (uint32_t)speed * speed;
}

static YW_APART uint16_t yw_axis_twice(uint8_t axis)
{
    return (uint16_t)(2 * (uint16_t)yw_axis_figure(axis, acceleration));
}

static void yw_axis_move(uint8_t axis, int16_t target, uint8_t part)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    bool moved = yw_axis_moves(axis);
    state->is_on = true;
    state->target = target;
    state->part = part;
    if (!moved && yw_axis_moves(axis)) {
        yw_motor_started();
    }
    yw_changed(YW_SAY_ROLE);
}

/* Comes to rest by its deceleration: the target is where that ends. */
static void yw_axis_brake(uint8_t axis)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    int16_t way = (int16_t)(yw_axis_squared(axis) / yw_axis_twice(axis));
    state->homing = YW_NOT_HOMING;
    if (yw_axis_moves(axis)) {
        state->target = (int16_t)(state->speed < 0 ? state->setpoint - way : state->setpoint + way);
        yw_changed(YW_SAY_ROLE);
    }
}

/* No power: it stands where it is, and nobody knows where that is [FLT-06]. */
static YW_APART void yw_axis_lost(uint8_t axis)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    yw_axis_off(axis);
    state->speed = 0;
    state->rest = 0;
    state->target = state->setpoint;
    state->homing = YW_NOT_HOMING;
    state->homed = state->is_on = false;
    yw_changed(YW_SAY_ROLE);
}

static YW_APART void yw_axes_lost(void)
{
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        yw_axis_lost(axis);
    }
}

/* The count of no axis means anything any more. */
static YW_APART void yw_axes_unhomed(void)
{
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        yw_axis_of(axis)->homed = false;
    }
}

static int16_t yw_nearer(int16_t speed, int16_t wanted, int16_t change)
{
    if (speed < wanted) {
        return (int16_t)(wanted - speed > change ? speed + change : wanted);
    }
    return (int16_t)(speed - wanted > change ? speed - change : wanted);
}

/* One step of motion. */
static void yw_axis_step(uint8_t axis)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    int16_t left = (int16_t)(state->target - state->setpoint), change = yw_axis_change(axis);
    int16_t wanted = (int16_t)(yw_axis_figure(axis, speed) / state->part);
    bool away = (left < 0) != (state->speed < 0) && state->speed != 0;
    wanted = wanted > 0 ? wanted : 1;
    if (yw_axis_squared(axis) >= (uint32_t)yw_axis_twice(axis) * yw_size_of(left)) {
        wanted = change; /* slow, and not to rest: it has to arrive */
    }
    wanted = left == 0 || away ? 0 : left < 0 ? (int16_t)-wanted : wanted;
    state->speed = yw_nearer(state->speed, wanted, change);
    int16_t hundredths = (int16_t)(state->speed % (1000 / YW_MOTION_MS) + state->rest);
    int16_t way = (int16_t)(state->speed / (1000 / YW_MOTION_MS) + hundredths / (1000 / YW_MOTION_MS));
    state->rest = (int8_t)(hundredths % (1000 / YW_MOTION_MS));
    bool slow = yw_size_of(state->speed) <= 2 * (uint16_t)change;
    bool arrives = left < 0 ? way <= left : way >= left;
    if (slow && !away && (left == 0 || arrives)) {
        state->setpoint = state->target;
        state->speed = 0;
        state->rest = 0;
        yw_changed(YW_SAY_ROLE);
    } else {
        state->setpoint = (int16_t)(state->setpoint + way);
    }
}

/* Moves the setpoints on to now, and sees where the axes are. */
static void yw_axes_follow(void)
{
    while ((uint16_t)((uint16_t)yw.now_ms - yw_moved_ms) >= YW_MOTION_MS) {
        yw_moved_ms = (uint16_t)(yw_moved_ms + YW_MOTION_MS);
        for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
            if (yw_axis_moves(axis)) {
                yw_axis_step(axis);
            }
        }
    }
    for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
        struct yw_axis_state *state = yw_axis_of(axis);
        if (state->is_on && yw_flag.power) {
            state->at = (int16_t)(yw_axis(axis, (int16_t)(state->setpoint - state->origin)) + state->origin);
        }
    }
}

static YW_APART bool yw_axis_is_at(uint8_t axis, int16_t place)
{
    return !yw_axis_moves(axis) && yw_axis_of(axis)->at == place;
}

/* The switch is at home: from now on the count means something [CRN-11]. */
static void yw_axis_found(uint8_t axis)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    int16_t home = yw_axis_figure(axis, home);
    state->origin = (int16_t)(state->origin + home - state->setpoint);
    state->setpoint = home;
    state->homed = true;
    state->homing = YW_BACK_HOME;
    yw_axis_move(axis, state->setpoint, 4);
}

static int16_t yw_axis_span(uint8_t axis)
{
    return (int16_t)(yw_axis_figure(axis, most) / 2 - yw_axis_figure(axis, least) / 2 + 1);
}

static void yw_axis_seek(uint8_t axis)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    state->homed = false;
    state->homing = YW_TO_THE_SWITCH;
    /* A little more than the whole axis, and within 16 bits: the count means nothing yet. */
    state->origin = (int16_t)(state->origin - state->setpoint);
    state->at = state->setpoint = 0;
    uint16_t span = (uint16_t)yw_axis_span(axis), way = (uint16_t)(2 * span + span / 4);
    yw_axis_move(axis, way > INT16_MAX ? INT16_MIN : (int16_t)-(int16_t)way, 4);
}

/* Looks for the switch; true where the axis stands at home, a halt where it cannot be found. On the bench the tester
 * closes the switch, which says nothing of where the axis is: there it need not come off it again [BEN-02], but has to
 * have moved, for it may still be closed from the homing before. */
static bool yw_axis_is_home(uint8_t axis)
{
    struct yw_axis_state *state = yw_axis_of(axis);
    bool closed = yw_is_closed(axis), stands = !yw_axis_moves(axis);
    switch (state->homing) {
    case YW_TO_THE_SWITCH:
        if (yw_flag.bench) {
            if (closed && state->setpoint <= -yw_axis_span(axis) / 8) {
                yw_axis_found(axis);
            }
        } else if (closed) {
            state->homing = YW_OFF_THE_SWITCH;
            yw_axis_move(axis, (int16_t)(state->setpoint + yw_axis_span(axis) / 2), 16);
        } else if (stands) {
            yw_halt(YW_FAULT_CODE_HOME_MISSED, yw_axis_sites[axis].name);
        }
        return false;
    case YW_OFF_THE_SWITCH:
        if (!closed) {
            yw_axis_found(axis);
        } else if (stands) {
            yw_halt(YW_FAULT_CODE_HOME_MISSED, yw_axis_sites[axis].name);
        }
        return false;
    default:
        return stands && state->homed;
    }
}

#endif
