/* As much of the library for the EEPROM as the examples use. */
#ifndef EEPROM_H
#define EEPROM_H

#include <stdint.h>

struct Cells {
  uint8_t read(int cell);
  void write(int cell, uint8_t value);
};
extern Cells EEPROM;

#endif
