/* A crane: up to three stepper drivers with step and direction, home switches, a spreader on a servo.
 *
 * CAUTION. A message is no emergency stop: a switch within reach removes motor power from every axis without this
 * board's help. Motors have a supply of their own. 10 kilo-ohm from the enable pin to 5 V keep the drivers off while
 * the board starts. Hands out of the machine while motor power is on. Leave mains wiring to a licensed person.
 *
 * Pins: D2 to D7 step and direction of the first, second and last axis; D8 enable, low for on; D9 servo; A1 to A3 home
 * switches, D10 load, D11 motor power, D12 bench, D13 by hand, all to ground. */
#include <util/atomic.h>
#include <util/delay_basic.h>

#include "board.h"

#if !defined(STEPS_A_UNIT)
#define STEPS_A_UNIT 5
#endif
#if !defined(SERVO_OPEN_US)
#define SERVO_OPEN_US 1000
#define SERVO_CLOSED_US 2000
#endif
enum {FIRST_STEP = 2, ENABLE = 0, SERVO = 1, LOAD = 2, POWER = 3, BENCH = 4, HAND = 5, FIRST_HOME = 1};
#define SERVO_TICKS(us) (2U * (us)) /* of half a microsecond */

/* In steps, and modulo 65,536: only their difference is looked at. */
static volatile uint16_t wanted[YW_AXES], stands[YW_AXES];

void machine_start(void)
{
    PORTB = 1 << ENABLE | 1 << LOAD | 1 << POWER | 1 << BENCH | 1 << HAND;
    DDRB = 1 << ENABLE | 1 << SERVO;
    DDRD = 0xFC;
    PORTC = 7 << FIRST_HOME;
    ICR1 = SERVO_TICKS(20000) - 1;
    TCCR1A = 1 << WGM11;
    TCCR1B = 1 << WGM13 | 1 << WGM12 | 1 << CS11;
}

bool machine_on_bench(void)
{
    return !(PINB & 1 << BENCH);
}

/* Each axis that is not where it has to be goes one step. */
void machine_step(void)
{
    uint8_t steps = 0, forth = 0;
    for (uint8_t axis = 0, step = 1 << FIRST_STEP; axis < YW_AXES; ++axis, step = (uint8_t)(step << 2)) {
        uint16_t left = (uint16_t)(wanted[axis] - stands[axis]);
        if (left) {
            steps |= step;
            if (left >> 15) {
                --stands[axis];
            } else {
                ++stands[axis];
                forth = (uint8_t)(forth | step << 1);
            }
        }
    }
    if (steps) {
        PORTD = forth; /* the direction stands before the step comes */
        _delay_loop_1(4);
        PORTD = forth | steps;
        _delay_loop_1(12);
        PORTD = forth;
    }
}

int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
    int16_t left = 0;
    uint16_t steps = (uint16_t)setpoint * STEPS_A_UNIT;
    PORTB &= (uint8_t)~(1 << ENABLE);
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        wanted[axis] = steps;
        left = (int16_t)(steps - stands[axis]);
    }
    /* A part of a unit that is left counts as a whole one: it is not there yet. */
    left = (int16_t)(left < 0 ? left - (STEPS_A_UNIT - 1) : left + (STEPS_A_UNIT - 1));
    return (int16_t)(setpoint - left / STEPS_A_UNIT);
}

void yw_axis_off(uint8_t axis)
{
    PORTB |= 1 << ENABLE;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        wanted[axis] = stands[axis];
    }
}

void yw_spreader(bool closed)
{
    OCR1A = closed ? SERVO_TICKS(SERVO_CLOSED_US) : SERVO_TICKS(SERVO_OPEN_US);
    TCCR1A = 1 << COM1A1 | 1 << WGM11;
}

/* No pulses, no motion. */
void yw_spreader_off(void)
{
    TCCR1A = 1 << WGM11;
}

uint16_t yw_inputs(void)
{
    uint8_t b = (uint8_t)~PINB, c = (uint8_t)~PINC;
    return (uint16_t)((c >> FIRST_HOME & 7) << YW_SENSOR_HOME_X |
                      (b & (1 << LOAD | 1 << POWER)) << (YW_SENSOR_LOAD - LOAD) |
                      (b & 1 << HAND) << (YW_SENSOR_BY_HAND - HAND));
}
