/* An ATmega328P in simavr, kept in step with the clock on the wall: its UART is a pseudo-terminal, its EEPROM outlives a
 * loss of power, and its memory does not. */
#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

enum {CHIP_HZ = 16000000};

/* What is soldered to the pins. */
struct mechanism {
    const char *name;
    void (*attach)(int count, char **words); /* once; the words are those of the command line behind the name */
    void (*powered_up)(void);                /* the chip has restarted: its pins float */
    void (*advance)(uint32_t us);            /* so much time has passed, at most a millisecond */
    bool (*command)(const char *word, long value); /* false where the word is unknown */
    void (*tell)(void);                      /* prints what it has counted, as members of a JSON object */
};
extern const struct mechanism crane_mechanism, berth_mechanism;

/* Loads the image. Ends the program with 2 and a sentence where it cannot. `seed`: what memory holds at the start. */
void chip_start(const char *image, unsigned seed);

/* Where the other end of the line can be opened. */
const char *chip_line(void);

/* A loss of power of no length. Memory holds anything after it, EEPROM what it held. */
void chip_power_cycle(void);

/* Runs for a millisecond of its own time, and waits until as much has passed. */
void chip_run_ms(void);

/* The chip's own time since it started. */
uint64_t chip_us(void);

/* Levels at pins that are inputs. */
void chip_drive(char port, uint8_t pin, bool level);

/* Has `watch` called at each change of a pin. */
void chip_watch(char port, uint8_t pin, void (*watch)(uint8_t pin, bool level));

/* Has `watch` called with the width of the pulses at output A of timer 1, in its ticks, when that is set. The edges at the
 * pin tell when they come, but not how wide they are: simavr 1.6 ends a pulse of fast PWM at once. */
void chip_watch_width(void (*watch)(uint32_t ticks));

/* Whether a pin is driven; one that is not floats. */
bool chip_is_output(char port, uint8_t pin);

/* Prints what was counted of the chip, as members of a JSON object. */
void chip_tell(void);

#endif
