/* What an ATmega328P at 16 MHz gives every machine: a clock, the line, the number of its boot, a watchdog. Each machine
 * has its pins in a file of its own, crane.c, berth.c or shuttle.c; they are those of the Arduino examples. */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "yw_site.h"

#include "yw_node.h"

/* ------------------------------------------------------------ what a machine gives */

/* Sets the pins, every output off. Before interrupts are on. */
void machine_start(void);

/* Whether the bench jumper is set; asked once. */
bool machine_on_bench(void);

/* In an interrupt, every 250 microseconds. */
void machine_step(void);

/* 100 percent of a duty to the 255 of a timer. */
static inline uint8_t duty_of(uint8_t percent)
{
    return (uint8_t)(percent * UINT16_C(255) / 100U);
}

#endif
