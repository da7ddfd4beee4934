/* A berth on a cable: brings a train to rest over two reed switches, and lets it go.
 *
 * CAUTION
 * - A message is no emergency stop. Fit a switch within reach that removes motor power from the track, and from every
 *   other machine that can hurt, without this board's help. Press it once before you begin, while something moves.
 * - The track has a supply of its own, fused close to the supply. Only its ground meets that of this board.
 * - Hands out of the machine while motor power is on, also when nothing has moved for an hour.
 * - Leave mains wiring to a licensed person, and follow your local codes.
 *
 * CONNECT
 *   pin 2   arming sensor, a reed switch to ground
 *   pin 3   end sensor, a reed switch to ground
 *   pin 4   motor power: low while it is there (an optocoupler across the track's supply, never the supply itself)
 *   pin 5   PWM to the motor driver; 10 kilo-ohm from here to ground, so that the motor is off while the board starts
 *   pin 7   bench: a jumper to ground for `yardwire conform`, none in service
 *   A0      nothing
 *   USB     the cable to the computer with `yardwire link`
 */
const unsigned char PIN_ARMING = 2, PIN_END = 3, PIN_POWER = 4, PIN_MOTOR = 5, PIN_BENCH = 7;
#define PIN_FREE A0

#include "board.h"

extern "C" void yw_motor(int8_t percent)
{
  analogWrite(PIN_MOTOR, percent * 255 / 100);
}

extern "C" uint16_t yw_inputs(void)
{
  return (uint16_t)((uint16_t)is_low(PIN_ARMING) << YW_SENSOR_ARMING | (uint16_t)is_low(PIN_END) << YW_SENSOR_END |
                    (uint16_t)is_low(PIN_POWER) << YW_SENSOR_MOTOR_POWER);
}

void setup()
{
  digitalWrite(PIN_MOTOR, LOW);
  pinMode(PIN_MOTOR, OUTPUT);
  pinMode(PIN_ARMING, INPUT_PULLUP);
  pinMode(PIN_END, INPUT_PULLUP);
  pinMode(PIN_POWER, INPUT_PULLUP);
  start_node();
}

void loop()
{
  run_node();
}
