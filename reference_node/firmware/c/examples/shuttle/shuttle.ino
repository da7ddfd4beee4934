/* A shuttle on a cable: drives between up to four stops, each with a reed switch.
 *
 * CAUTION
 * - A message is no emergency stop. Fit a switch within reach that removes motor power from the shuttle, and from every
 *   other machine that can hurt, without this board's help. Press it once before you begin, while something moves.
 * - The motor has a supply of its own, fused close to the supply. Only its ground meets that of this board.
 * - Hands out of the machine while motor power is on: a shuttle pinches at both ends of its way. Fit buffers there.
 * - Leave mains wiring to a licensed person, and follow your local codes.
 *
 * CONNECT
 *   pin 2   stop 1, a reed switch to ground; the first stop of the site file
 *   pin 3   stop 2, and so on: pins 8 and 9 for stops 3 and 4
 *   pin 4   motor power: low while it is there (an optocoupler across the motor's supply, never the supply itself)
 *   pin 5   PWM to the motor driver; 10 kilo-ohm from here to ground, so that the motor is off while the board starts
 *   pin 6   direction to the motor driver: high towards the last stop
 *   pin 7   bench: a jumper to ground for `yardwire conform`, none in service
 *   pin 10  load sensor of the deck, a switch to ground, where the site file has one
 *   A0      nothing
 *   USB     the cable to the computer with `yardwire link`
 */
const unsigned char PIN_STOPS[] = {2, 3, 8, 9};
const unsigned char PIN_POWER = 4, PIN_MOTOR = 5, PIN_DIRECTION = 6, PIN_BENCH = 7, PIN_LOAD = 10;
#define PIN_FREE A0

#include "board.h"

extern "C" void yw_motor(int8_t percent)
{
  int duty = percent < 0 ? -percent : percent;
  digitalWrite(PIN_DIRECTION, percent > 0 ? HIGH : LOW);
  analogWrite(PIN_MOTOR, duty * 255 / 100);
}

extern "C" uint16_t yw_inputs(void)
{
  uint16_t seen = (uint16_t)((uint16_t)is_low(PIN_POWER) << YW_SENSOR_MOTOR_POWER | (uint16_t)is_low(PIN_LOAD) << YW_SENSOR_LOAD);
  for (uint8_t stop = 0; stop < YW_STOPS; ++stop) {
    seen |= (uint16_t)((uint16_t)is_low(PIN_STOPS[stop]) << (YW_SENSOR_STOP_1 + stop));
  }
  return seen;
}

void setup()
{
  digitalWrite(PIN_MOTOR, LOW);
  pinMode(PIN_MOTOR, OUTPUT);
  pinMode(PIN_DIRECTION, OUTPUT);
  for (uint8_t stop = 0; stop < YW_STOPS; ++stop) {
    pinMode(PIN_STOPS[stop], INPUT_PULLUP);
  }
  pinMode(PIN_POWER, INPUT_PULLUP);
  pinMode(PIN_LOAD, INPUT_PULLUP);
  start_node();
}

void loop()
{
  run_node();
}
