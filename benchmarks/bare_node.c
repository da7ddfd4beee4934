/* A node for an ATmega328P without a line and without a client of MQTT, to measure what the core takes in each encoding: what
 * would come and go stands in one buffer. */
#include <avr/io.h>

#include "yw_site.h"

#include "yw_core.h"

void machine_start(void);

static volatile uint32_t clock_ms;
static volatile uint8_t buffer[YW_BUFFER];
static volatile uint16_t came;

uint32_t yw_clock_ms(void)
{
    return clock_ms;
}

bool yw_send(uint8_t message, const uint8_t *payload, yw_length length)
{
    for (UDR0 = message; length; --length) {
        UDR0 = *payload++;
    }
    return true;
}

uint8_t yw_cell_read(uint8_t cell)
{
    EEAR = cell;
    return EEDR;
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    EEAR = cell;
    EEDR = value;
}

uint16_t yw_entropy(void)
{
    return TCNT1;
}

int main(void)
{
    struct yw_how how = {.bench = came != 0};
    uint8_t will[YW_WILL_ROOM];
    machine_start();
    how.boot = yw_next_boot(&how.boot_lost);
    yw_start(&how);
    yw_send(yw_will(will), will, sizeof will);
    yw_connected();
    for (;;) {
        if (came) {
            yw_receive((const uint8_t *)buffer, came, false);
            came = 0;
        } else if (clock_ms & 1) {
            yw_disconnected();
        }
        yw_tick();
    }
}
