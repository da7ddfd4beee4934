/* A crane on a cable: up to three axes with stepper drivers and home switches, and a spreader on a servo.
 *
 * CAUTION
 * - A message is no emergency stop. Fit a switch within reach that removes motor power from every axis, and from every
 *   other machine that can hurt, without this board's help. Press it once before you begin, while something moves.
 * - Each motor and the servo has a supply of its own, fused close to the supply. Only its ground meets that of this board.
 * - A hoist may drop its load when its motor has no power: use a drive that holds by itself, and keep out from below.
 * - Hands out of the machine while motor power is on: a geared motor does not notice a finger. Fit end stops.
 * - Leave mains wiring to a licensed person, and follow your local codes.
 *
 * NEEDS the library Servo, which the library manager has: this sketch alone does.
 *
 * CONNECT
 *   pins 2 3     step and direction of the first axis; 4 5 of the second; 6 7 of the hoist
 *   pin 8        enable of all stepper drivers, low for on; 10 kilo-ohm from here to 5 V, so that they are off while the
 *                board starts
 *   pin 9        servo of the spreader
 *   pins A1 A2 A3  home switches of the three axes, to ground
 *   pin 10       load sensor of the spreader, a switch to ground, where the site file has one
 *   pin 11       motor power: low while it is there (an optocoupler across the motors' supply, never the supply itself)
 *   pin 12       bench: a jumper to ground for `yardwire conform`, none in service
 *   pin 13       by hand: a switch to ground with which somebody takes the crane
 *   A0           nothing
 *   USB          the cable to the computer with `yardwire link`
 *
 * SET the steps to one unit of the site file for each axis, and the two positions of the servo.
 */
const unsigned char PIN_STEP[] = {2, 4, 6}, PIN_DIRECTION[] = {3, 5, 7}, PIN_HOME[] = {A1, A2, A3};
const unsigned char PIN_ENABLE = 8, PIN_SERVO = 9, PIN_LOAD = 10, PIN_POWER = 11, PIN_BENCH = 12, PIN_HAND = 13;
#define PIN_FREE A0
const int STEPS_PER_UNIT[] = {5, 5, 5};
const int SERVO_OPEN = 40, SERVO_CLOSED = 120; /* degrees */
const int STEPS_AT_ONCE = 4;                   /* in one round of the loop: it never blocks for longer */

#include <Servo.h>

#include "board.h"

static long stands[YW_AXES]; /* in steps, counted from the start */
static Servo spreader;

extern "C" int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
  long wanted = (long)setpoint * STEPS_PER_UNIT[axis];
  bool forth = wanted > stands[axis];
  digitalWrite(PIN_ENABLE, LOW);
  digitalWrite(PIN_DIRECTION[axis], forth ? HIGH : LOW);
  for (int left = STEPS_AT_ONCE; left > 0 && stands[axis] != wanted; --left) {
    digitalWrite(PIN_STEP[axis], HIGH);
    delayMicroseconds(3);
    digitalWrite(PIN_STEP[axis], LOW);
    stands[axis] += forth ? 1 : -1;
  }
  return (int16_t)(stands[axis] / STEPS_PER_UNIT[axis]);
}

extern "C" void yw_axis_off(uint8_t axis)
{
  (void)axis;
  digitalWrite(PIN_ENABLE, HIGH);
}

extern "C" void yw_spreader(bool closed)
{
  spreader.attach(PIN_SERVO);
  spreader.write(closed ? SERVO_CLOSED : SERVO_OPEN);
}

extern "C" void yw_spreader_off(void)
{
  spreader.detach(); /* no pulses, no motion */
}

extern "C" uint16_t yw_inputs(void)
{
  uint16_t seen = (uint16_t)((uint16_t)is_low(PIN_LOAD) << YW_SENSOR_LOAD | (uint16_t)is_low(PIN_POWER) << YW_SENSOR_MOTOR_POWER |
                             (uint16_t)is_low(PIN_HAND) << YW_SENSOR_BY_HAND);
  for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
    seen |= (uint16_t)((uint16_t)is_low(PIN_HOME[axis]) << (YW_SENSOR_HOME_X + axis));
  }
  return seen;
}

void setup()
{
  digitalWrite(PIN_ENABLE, HIGH);
  pinMode(PIN_ENABLE, OUTPUT);
  for (uint8_t axis = 0; axis < YW_AXES; ++axis) {
    pinMode(PIN_STEP[axis], OUTPUT);
    pinMode(PIN_DIRECTION[axis], OUTPUT);
    pinMode(PIN_HOME[axis], INPUT_PULLUP);
  }
  pinMode(PIN_LOAD, INPUT_PULLUP);
  pinMode(PIN_POWER, INPUT_PULLUP);
  pinMode(PIN_HAND, INPUT_PULLUP);
  start_node();
}

void loop()
{
  run_node();
}
