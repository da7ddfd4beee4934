/* The core on an ATmega328P with a serial line and empty pins: what its size is measured with. */
#include <avr/eeprom.h>
#include <avr/io.h>

#include "yw_site.h"

#include "yw_node.h"

static volatile uint32_t clock_ms;

uint32_t yw_clock_ms(void)
{
    return clock_ms;
}

void yw_line_put(uint8_t byte)
{
    while (!(UCSR0A & 1 << UDRE0)) {
    }
    UDR0 = byte;
}

uint16_t yw_inputs(void)
{
    return PINB;
}

#if YW_ROLE == YW_ROLE_IS_CRANE
int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
    PORTB = axis;
    return setpoint;
}

void yw_axis_off(uint8_t axis)
{
    PORTB = axis;
}

void yw_spreader(bool closed)
{
    PORTC = closed;
}

void yw_spreader_off(void)
{
    PORTC = 0;
}
#else
void yw_motor(int8_t percent)
{
    OCR0A = (uint8_t)percent;
}
#endif

uint8_t yw_cell_read(uint8_t cell)
{
    return eeprom_read_byte((const uint8_t *)(uint16_t)cell);
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    eeprom_write_byte((uint8_t *)(uint16_t)cell, value);
}

uint16_t yw_entropy(void)
{
    return TCNT1;
}

int main(void)
{
    struct yw_how how = {.bench = PINC & 1, .reset = YW_NODE_STATUS_RESET_UNKNOWN};
    how.boot = yw_next_boot(&how.boot_lost);
    yw_start(&how);
    for (;;) {
        if (UCSR0A & 1 << RXC0) {
            yw_line_take(UDR0);
        }
        yw_line_tick();
    }
}
