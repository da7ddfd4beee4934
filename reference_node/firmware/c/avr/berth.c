/* A berth: two reed switches and a motor driver for the track.
 *
 * CAUTION. A message is no emergency stop: a switch within reach removes motor power from the track without this
 * board's help. The track has a supply of its own. 10 kilo-ohm from D5 to ground keep it off while the board starts.
 * Hands out of the machine while motor power is on. Leave mains wiring to a licensed person.
 *
 * Pins: D2 arming sensor, D3 end sensor, D4 motor power, D7 bench, all to ground; D5 PWM to the driver. */
#include "board.h"

enum {ARMING = 2, END = 3, POWER = 4, MOTOR = 5, BENCH = 7};

void machine_start(void)
{
    PORTD = 1 << ARMING | 1 << END | 1 << POWER | 1 << BENCH;
    DDRD = 1 << MOTOR;
    TCCR0B = 1 << CS01 | 1 << CS00;
}

bool machine_on_bench(void)
{
    return !(PIND & 1 << BENCH);
}

void machine_step(void)
{
}

void yw_motor(int8_t percent)
{
    OCR0B = duty_of((uint8_t)percent);
    TCCR0A = percent ? 1 << COM0B1 | 1 << WGM00 : 1 << WGM00;
}

uint16_t yw_inputs(void)
{
    uint8_t d = (uint8_t)~PIND;
    return (uint16_t)((d >> ARMING & 3) << YW_SENSOR_ARMING | (d >> POWER & 1) << YW_SENSOR_MOTOR_POWER);
}
