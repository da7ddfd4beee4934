/* A crane at the pins of crane.c for the ATmega328P: stepper drivers that count pulses between two hard stops, home
 * switches, a spreader on a servo, and a switch that feels a box. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chip.h"

enum {
    AXES_MOST = 3, FIRST_STEP = 2, ENABLE = 0, SERVO = 1, LOAD = 2, POWER = 3, BENCH = 4, HAND = 5, FIRST_HOME = 1,
    STEPS_A_UNIT = 5, BEHIND_HOME = 15, HYSTERESIS = 2, /* units, units, steps */
    LOW = 20,                /* units below its top from which the hoist can meet a box */
    TRAVEL_US = 250000,      /* of the spreader, from open to closed */
    TICKS_A_US = 2, MIDDLE_PULSE_US = 1500, SILENT_US = 50000 /* without a pulse a servo has no power */
};

static struct {
    long at, most, lost;
    bool forth, home;
} axes[AXES_MOST];

static int axis_count;
static bool enabled, motor_power = true, bench, hand, box = true, gripped;
static long grip_us, pulses, wide_us; /* how far the spreader is closed; steps taken; the servo's last pulse */
static uint64_t pulse_at_us;

static void set_home(int axis)
{
    axes[axis].home = axes[axis].at <= (axes[axis].home ? HYSTERESIS : 0);
    chip_drive('C', (uint8_t)(FIRST_HOME + axis), !axes[axis].home);
}

static void direction_changed(uint8_t pin, bool level)
{
    axes[(pin - FIRST_STEP) / 2].forth = level;
}

/* A pulse moves an axis one step, where its driver has power and nothing is in the way. */
static void step_changed(uint8_t pin, bool level)
{
    int axis = (pin - FIRST_STEP) / 2;
    if (!level) {
        return;
    }
    long next = axes[axis].at + (axes[axis].forth ? 1 : -1);
    if (!enabled || !motor_power || next < -BEHIND_HOME * STEPS_A_UNIT || next > axes[axis].most) {
        ++axes[axis].lost;
        return;
    }
    axes[axis].at = next;
    ++pulses;
    set_home(axis);
}

static void enable_changed(uint8_t pin, bool level)
{
    enabled = !level && chip_is_output('B', pin);
}

static void servo_changed(uint8_t pin, bool level)
{
    (void)pin;
    pulse_at_us = level ? chip_us() : pulse_at_us;
}

static void width_changed(uint32_t ticks)
{
    wide_us = (long)ticks / TICKS_A_US;
}

static void drive_all(void)
{
    chip_drive('B', LOAD, !gripped);
    chip_drive('B', POWER, !motor_power);
    chip_drive('B', BENCH, !bench);
    chip_drive('B', HAND, !hand);
    for (int axis = 0; axis < axis_count; ++axis) {
        set_home(axis);
    }
}

static void powered_up(void)
{
    enabled = false;
    pulse_at_us = 0;
    drive_all();
}

/* words: the length of each axis in units, and where it stands. */
static void attach(int count, char **words)
{
    for (axis_count = 0; axis_count < AXES_MOST && 2 * axis_count + 1 < count; ++axis_count) {
        axes[axis_count].most = (atol(words[2 * axis_count]) + BEHIND_HOME) * STEPS_A_UNIT;
        axes[axis_count].at = atol(words[2 * axis_count + 1]) * STEPS_A_UNIT;
        uint8_t step = (uint8_t)(FIRST_STEP + 2 * axis_count);
        chip_watch('D', step, step_changed);
        chip_watch('D', (uint8_t)(step + 1), direction_changed);
    }
    chip_watch('B', ENABLE, enable_changed);
    chip_watch('B', SERVO, servo_changed);
    chip_watch_width(width_changed);
}

/* The servo turns while it gets pulses; fingers that close below the top close on a box, if one is there. */
static void advance(uint32_t us)
{
    if (!motor_power || !pulse_at_us || chip_us() - pulse_at_us > SILENT_US) {
        return;
    }
    bool closing = wide_us > MIDDLE_PULSE_US;
    grip_us += closing ? (long)us : -(long)us;
    grip_us = grip_us < 0 ? 0 : grip_us > TRAVEL_US ? TRAVEL_US : grip_us;
    bool low = axis_count && axes[axis_count - 1].at > LOW * STEPS_A_UNIT;
    if (closing && !gripped && grip_us == TRAVEL_US) {
        gripped = box && low;
    } else if (!closing && grip_us == 0) {
        gripped = false;
    }
    chip_drive('B', LOAD, !gripped);
}

static bool command(const char *word, long value)
{
    static const struct {
        const char *word;
        bool *level;
    } levels[] = {{"motor-power", &motor_power}, {"bench", &bench}, {"hand", &hand}, {"box", &box}};
    for (size_t i = 0; i < sizeof levels / sizeof levels[0]; ++i) {
        if (!strcmp(word, levels[i].word)) {
            *levels[i].level = value != 0;
            drive_all();
            return true;
        }
    }
    return false;
}

static void tell(void)
{
    long lost = 0;
    printf("\"at\": [");
    for (int axis = 0; axis < axis_count; ++axis) {
        printf("%s%.1f", axis ? ", " : "", (double)axes[axis].at / STEPS_A_UNIT);
        lost += axes[axis].lost;
    }
    printf("], \"steps\": %ld, \"lost_steps\": %ld, \"gripped\": %s", pulses, lost, gripped ? "true" : "false");
}

const struct mechanism crane_mechanism = {"crane", attach, powered_up, advance, command, tell};
