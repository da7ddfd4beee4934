/* As much of the library for servos as the examples use. */
#ifndef SERVO_H
#define SERVO_H

#include <stdint.h>

struct Servo {
  uint8_t attach(int pin);
  void write(int degrees);
  void detach(void);
};

#endif
