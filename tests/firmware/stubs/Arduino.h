/* As much of a board's own header as the examples use; nothing behind it. */
#ifndef ARDUINO_H
#define ARDUINO_H

#include <stdint.h>

enum {LOW, HIGH, INPUT, OUTPUT, INPUT_PULLUP, A0 = 14, A1, A2, A3};

#define _BV(bit) (1 << (bit))

void digitalWrite(uint8_t pin, uint8_t level);
int digitalRead(uint8_t pin);
void analogWrite(uint8_t pin, int duty);
int analogRead(uint8_t pin);
void pinMode(uint8_t pin, uint8_t mode);
void delay(unsigned long ms);
void delayMicroseconds(unsigned int us);
unsigned long millis(void);
unsigned long micros(void);

struct Line {
  void begin(unsigned long baud);
  int available(void);
  int read(void);
  void write(uint8_t byte);
};
extern Line Serial;

#endif
