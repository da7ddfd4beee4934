/* What the three examples share: an AVR board on a cable, the number of its boot in EEPROM, its watchdog. */
#ifndef BOARD_H
#define BOARD_H

#include <Arduino.h>
#include <EEPROM.h>

#include "yw_site.h"

#include <yw_node.h>

#if defined(__AVR__)
#include <avr/wdt.h>
#endif

const unsigned long BAUD = 115200UL;

extern "C" uint32_t yw_clock_ms(void)
{
  return millis();
}

static void take_what_came()
{
  while (Serial.available() > 0) {
    yw_line_take((uint8_t)Serial.read());
  }
}

/* Serial.write waits where its 64 bytes are full, and what comes meanwhile has 64 as well. */
extern "C" void yw_line_put(uint8_t byte)
{
  take_what_came();
  Serial.write(byte);
}

extern "C" uint8_t yw_cell_read(uint8_t cell)
{
  return EEPROM.read(cell);
}

extern "C" void yw_cell_write(uint8_t cell, uint8_t value)
{
  EEPROM.write(cell, value);
}

/* The last bits of an input that is connected to nothing, stirred 64 times. */
extern "C" uint16_t yw_entropy(void)
{
  uint16_t bits = 0;
  for (uint8_t i = 0; i < 64; ++i) {
    bits = (uint16_t)((bits << 3 | bits >> 13) ^ (uint16_t)analogRead(PIN_FREE) ^ (uint16_t)micros());
  }
  return bits;
}

static uint8_t reset_cause()
{
#if defined(__AVR__)
  uint8_t flags = MCUSR;
  MCUSR = 0;
  if (flags & _BV(WDRF)) {
    return YW_NODE_STATUS_RESET_WATCHDOG;
  }
  if (flags & _BV(BORF)) {
    return YW_NODE_STATUS_RESET_BROWN_OUT;
  }
  if (flags & _BV(EXTRF)) {
    return YW_NODE_STATUS_RESET_EXTERNAL;
  }
  if (flags & _BV(PORF)) {
    return YW_NODE_STATUS_RESET_POWER_ON;
  }
#endif
  return YW_NODE_STATUS_RESET_UNKNOWN; /* some boot loaders clear the flags */
}

/* On the bench the sensors are a tester's: a jumper from PIN_BENCH to ground, looked at once, at the start. */
static void start_node()
{
  struct yw_how how = {};
  how.reset = reset_cause();
  pinMode(PIN_BENCH, INPUT_PULLUP);
  delay(1);
  how.bench = digitalRead(PIN_BENCH) == LOW;
  how.boot = yw_next_boot(&how.boot_lost);
  Serial.begin(BAUD);
  yw_start(&how);
#if defined(__AVR__)
  wdt_enable(WDTO_2S);
#endif
}

static void run_node()
{
#if defined(__AVR__)
  wdt_reset();
#endif
  take_what_came();
  yw_line_tick();
}

static bool is_low(uint8_t pin)
{
  return digitalRead(pin) == LOW;
}

#endif
