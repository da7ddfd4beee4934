/* An ATmega328P at 16 MHz on a cable. The main loop does all that the node does; interrupts count the time, let the
 * machine step, and store what the line brings. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "board.h"

#define CHIP_HZ 16000000UL
#if !defined(BOARD_BAUD)
#define BOARD_BAUD 115200UL
#endif
enum {
    STEPS_A_MS = 4,
    STIRS = 64
};

static volatile uint32_t clock_ms;

ISR(TIMER2_COMPA_vect)
{
    static uint8_t steps;
    if (++steps == STEPS_A_MS) {
        steps = 0;
        ++clock_ms;
    }
    machine_step();
}

ISR(USART_RX_vect)
{
    yw_line_take(UDR0);
}

uint32_t yw_clock_ms(void)
{
    uint32_t now_ms = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now_ms = clock_ms;
    }
    return now_ms;
}

void yw_line_put(uint8_t byte)
{
    loop_until_bit_is_set(UCSR0A, UDRE0);
    UDR0 = byte;
}

uint8_t yw_cell_read(uint8_t cell)
{
    return eeprom_read_byte((const uint8_t *)(uint16_t)cell);
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    eeprom_update_byte((uint8_t *)(uint16_t)cell, value);
}

/* The last bits of an input that is connected to nothing, and when they came. */
uint16_t yw_entropy(void)
{
    uint16_t bits = 0;
    ADMUX = 1 << REFS0;
    for (uint8_t i = 0; i < STIRS; ++i) {
        ADCSRA = 1 << ADEN | 1 << ADSC | 7;
        loop_until_bit_is_clear(ADCSRA, ADSC);
        bits = (uint16_t)((bits << 3 | bits >> 13) ^ ADC ^ TCNT2);
    }
    ADCSRA = 0;
    return bits;
}

static uint8_t reset_cause(void)
{
    uint8_t flags = MCUSR;
    MCUSR = 0;
    wdt_disable(); /* after its reset it is on, and short */
    return flags & 1 << WDRF    ? YW_NODE_STATUS_RESET_WATCHDOG
           : flags & 1 << BORF  ? YW_NODE_STATUS_RESET_BROWN_OUT
           : flags & 1 << EXTRF ? YW_NODE_STATUS_RESET_EXTERNAL
           : flags & 1 << PORF  ? YW_NODE_STATUS_RESET_POWER_ON
                                : YW_NODE_STATUS_RESET_UNKNOWN;
}

static void start_clock_and_line(void)
{
    TCCR2A = 1 << WGM21;
    OCR2A = (uint8_t)(CHIP_HZ / 32 / 1000 / STEPS_A_MS - 1);
    TCCR2B = 1 << CS21 | 1 << CS20;
    TIMSK2 = 1 << OCIE2A;
    UBRR0 = (uint16_t)((CHIP_HZ / 4 / BOARD_BAUD - 1) / 2);
    UCSR0A = 1 << U2X0;
    UCSR0B = 1 << RXCIE0 | 1 << RXEN0 | 1 << TXEN0;
}

int main(void)
{
    struct yw_how how = {.reset = reset_cause()};
    uint8_t ticked_ms = 0;
    machine_start();
    start_clock_and_line();
    sei();
    how.bench = machine_on_bench();
    how.boot = yw_next_boot(&how.boot_lost);
    yw_start(&how);
    wdt_enable(WDTO_2S);
    for (;;) {
        wdt_reset();
        uint8_t now_ms = (uint8_t)clock_ms;
        if (now_ms != ticked_ms) {
            ticked_ms = now_ms;
            yw_line_tick();
        }
        sleep_mode(); /* until the next interrupt, at most 250 microseconds */
    }
}
