/* The core on an ATmega328P with empty pins and an empty line: what its size is measured with. The receive buffer is the
 * board's, as large as the node says in its status. */
#include <avr/eeprom.h>
#include <avr/io.h>

#include "yw_site.h"

#include "yw_node.h"

static uint8_t buffer[YW_BUFFER];
static volatile uint32_t clock_ms;

uint32_t yw_clock_ms(void)
{
    return clock_ms;
}

bool yw_send(uint8_t message, const uint8_t *payload, uint8_t length)
{
    GPIOR0 = message;
    for (; length; --length) {
        GPIOR1 = *payload++;
    }
    return true;
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
    yw_connected();
    for (;;) {
        if (GPIOR2) {
            yw_receive(buffer, GPIOR2, false);
        }
        yw_tick();
    }
}
