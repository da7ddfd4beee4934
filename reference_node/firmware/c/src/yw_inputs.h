/* Sensor lines: from pins in service, from a tester on the bench, and debounced alike. */
#ifndef YW_INPUTS_H
#define YW_INPUTS_H

static void yw_power_lost(void);

/* The lines of the role, in the order of the bits of `inputs` [MSG-14]. */
#if YW_ROLE == YW_ROLE_IS_CRANE
#define YW_DEBOUNCE_MS 3
static uint8_t yw_line_of(uint8_t sensor)
{
    if (sensor >= YW_SENSOR_HOME_X && sensor < YW_SENSOR_HOME_X + YW_AXES) {
        return (uint8_t)(sensor - YW_SENSOR_HOME_X);
    }
    if (YW_LOAD_SENSOR && sensor == YW_SENSOR_LOAD) {
        return YW_AXES;
    }
    return sensor == YW_SENSOR_BY_HAND ? YW_LINES - 1 : YW_NO_WORD;
}
#elif YW_ROLE == YW_ROLE_IS_BERTH
static uint8_t yw_line_of(uint8_t sensor)
{
    return sensor <= YW_SENSOR_END ? sensor : YW_NO_WORD;
}
#else
static uint8_t yw_line_of(uint8_t sensor)
{
    if (sensor >= YW_SENSOR_STOP_1 && sensor < YW_SENSOR_STOP_1 + YW_STOPS) {
        return (uint8_t)(sensor - YW_SENSOR_STOP_1);
    }
    return YW_LOAD_SENSOR && sensor == YW_SENSOR_LOAD ? YW_STOPS : YW_NO_WORD;
}
#endif

static YW_APART bool yw_is_closed(uint8_t line)
{
    return yw_is_in(yw.level, line);
}

/* Whether a line has changed and is not believed yet. */
static YW_APART bool yw_is_unsettled(uint8_t line)
{
    return yw_is_in(yw.level ^ yw.raw, line);
}

/* A sensor is seen at a level; one that says what it said before is nothing new. */
static void yw_feel(uint8_t sensor, bool closed)
{
    if (sensor == YW_SENSOR_MOTOR_POWER) {
        bool lost = yw_flag.power && !closed;
        yw_flag.power = closed;
        if (lost) {
            yw_power_lost();
        }
        return;
    }
    uint8_t line = yw_line_of(sensor);
    if (line != YW_NO_WORD && yw_is_in(yw.raw, line) != closed) {
        yw.raw ^= yw_bit(line);
        yw.since_ms[line] = (yw_since_ms)yw.now_ms;
        yw_changed(YW_SAY_ROLE);
    }
}

static void yw_read_pins(void)
{
    uint16_t seen = yw_inputs();
    for (uint8_t sensor = 0; sensor <= YW_SENSOR_BY_HAND; ++sensor) {
        yw_feel(sensor, yw_is_in(seen, sensor));
    }
}

/* Believes a level once it has stood still for the debounce time [BER-08]. */
static void yw_settle(void)
{
    for (uint8_t line = 0; line < YW_LINES; ++line) {
        yw_since_ms stood_ms = (yw_since_ms)((yw_since_ms)yw.now_ms - yw.since_ms[line]);
        if (yw_is_unsettled(line) && stood_ms >= YW_DEBOUNCE_MS) {
            yw.level ^= yw_bit(line);
            yw.changed_lines = (uint8_t)(yw.changed_lines | yw_bit(line));
            yw_changed(YW_SAY_ROLE);
        }
    }
}

/* Inputs of a tester wait in the order of their times, each for so long after the one before [BEN-02]. What there is no
 * room for is left out: two whole stimuli fit. */
static YW_APART void yw_play(struct yw_reader reader)
{
    struct yw_played input;
    uint32_t at_ms = yw.now_ms;
    if (yw.played_count == 0) {
        yw.played_ms = yw.now_ms;
    }
    for (uint8_t left = yw_read_array(&reader, YW_INPUTS_MOST); left && yw_read_input(&reader, &input); --left) {
        at_ms += input.wait_ms;
        uint32_t wait_ms = at_ms - yw.played_ms;
        struct yw_played *place = yw.played, *end = place + yw.played_count;
        while (place < end && place->wait_ms <= wait_ms) {
            wait_ms -= place->wait_ms;
            ++place;
        }
        if (yw.played_count == YW_PLAYED_MOST) {
            return;
        }
        if (place < end) {
            place->wait_ms = (uint16_t)(place->wait_ms - wait_ms);
        }
        memmove(place + 1, place, (size_t)((uint8_t *)end - (uint8_t *)place));
        input.wait_ms = (uint16_t)wait_ms;
        *place = input;
        ++yw.played_count;
    }
}

#endif
