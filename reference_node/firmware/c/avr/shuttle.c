/* A shuttle: up to four reed switches, a load switch, a motor driver with PWM and direction.
 *
 * CAUTION. A message is no emergency stop: a switch within reach removes motor power from the shuttle without this
 * board's help. The motor has a supply of its own. 10 kilo-ohm from D5 to ground keep it off while the board starts.
 * Hands out of the machine while motor power is on: it pinches at both ends of its way. Leave mains wiring to a licensed
 * person.
 *
 * Pins: D2, D3, D8, D9 stops, D4 motor power, D7 bench, D10 load, all to ground; D5 PWM, D6 direction, high towards the
 * last stop. */
#include "board.h"

enum {FIRST_STOP = 2, POWER = 4, MOTOR = 5, FORTH = 6, BENCH = 7, THIRD_STOP = 0, LOAD = 2};

void machine_start(void)
{
    PORTD = 3 << FIRST_STOP | 1 << POWER | 1 << BENCH;
    DDRD = 1 << MOTOR | 1 << FORTH;
    PORTB = 3 << THIRD_STOP | 1 << LOAD;
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
    if (percent > 0) {
        PORTD |= 1 << FORTH;
    } else {
        PORTD &= (uint8_t)~(1 << FORTH);
    }
    OCR0B = duty_of((uint8_t)(percent < 0 ? -percent : percent));
    TCCR0A = percent ? 1 << COM0B1 | 1 << WGM00 : 1 << WGM00;
}

uint16_t yw_inputs(void)
{
    uint8_t b = (uint8_t)~PINB, d = (uint8_t)~PIND;
    return (uint16_t)((d >> FIRST_STOP & 3) << YW_SENSOR_STOP_1 | (b >> THIRD_STOP & 3) << YW_SENSOR_STOP_3 |
                      (d >> POWER & 1) << YW_SENSOR_MOTOR_POWER | (b >> LOAD & 1) << YW_SENSOR_LOAD);
}
