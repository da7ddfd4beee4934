/* What a node needs of a process, its hooks: a clock, pins that lead nowhere, a file in place of the cells, entropy. The node is on the
 * bench: its sensors are the tester's, and its machine follows every setpoint at once. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "process.h"

static const char *cells;
static uint32_t uptime_at_start;

void process_start(const char *file, uint32_t uptime)
{
    struct yw_how how = {.bench = true, .reset = YW_NODE_STATUS_RESET_POWER_ON};
    cells = file;
    uptime_at_start = uptime;
    how.boot = yw_next_boot(&how.boot_lost);
    yw_start(&how);
}

uint32_t yw_clock_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    static uint64_t started_ms;
    uint64_t ms = (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
    started_ms = started_ms ? started_ms : ms;
    return (uint32_t)(ms - started_ms) + uptime_at_start;
}

uint16_t yw_inputs(void)
{
    return 0;
}

#if YW_ROLE == YW_ROLE_IS_CRANE
int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
    (void)axis;
    return setpoint;
}

void yw_axis_off(uint8_t axis)
{
    (void)axis;
}

void yw_spreader(bool closed)
{
    (void)closed;
}

void yw_spreader_off(void)
{
}
#else
void yw_motor(int8_t percent)
{
    (void)percent;
}
#endif

uint8_t yw_cell_read(uint8_t cell)
{
    FILE *file = fopen(cells, "rb");
    int byte = EOF;
    if (file && fseek(file, cell, SEEK_SET) == 0) {
        byte = fgetc(file);
    }
    if (file) {
        fclose(file);
    }
    return byte == EOF ? 0xFF : (uint8_t)byte;
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    FILE *file = fopen(cells, "r+b");
    file = file ? file : fopen(cells, "w+b");
    if (!file || fseek(file, cell, SEEK_SET) != 0 || fputc(value, file) == EOF || fclose(file) != 0) {
        perror(cells);
        exit(2);
    }
}

uint16_t yw_entropy(void)
{
    uint16_t bits = 0;
    FILE *file = fopen("/dev/urandom", "rb");
    if (!file || fread(&bits, sizeof bits, 1, file) != 1) {
        exit(2);
    }
    fclose(file);
    return bits;
}
