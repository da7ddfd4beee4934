/* The number of the boot: two records in cells that outlive a loss of power, written in turn, so that one whole one is
 * there whenever the power goes. */
#ifndef YW_BOOT_H
#define YW_BOOT_H

enum {YW_RECORD = 3, YW_CHECK = 0xA5};

static uint8_t yw_boot_check(uint16_t boot)
{
    return (uint8_t)(YW_CHECK ^ (boot & 0xFF) ^ (boot >> 8) << 1 ^ boot >> 15);
}

static bool yw_boot_read(uint8_t record, uint16_t *boot)
{
    uint8_t cell = (uint8_t)(record * YW_RECORD);
    *boot = (uint16_t)(yw_cell_read(cell) | (uint16_t)yw_cell_read((uint8_t)(cell + 1)) << 8);
    return yw_cell_read((uint8_t)(cell + 2)) == yw_boot_check(*boot);
}

static void yw_boot_write(uint8_t record, uint16_t boot)
{
    uint8_t cell = (uint8_t)(record * YW_RECORD);
    yw_cell_write((uint8_t)(cell + 2), (uint8_t)~yw_boot_check(boot)); /* not valid while it is written */
    yw_cell_write(cell, (uint8_t)boot);
    yw_cell_write((uint8_t)(cell + 1), (uint8_t)(boot >> 8));
    yw_cell_write((uint8_t)(cell + 2), yw_boot_check(boot));
}

uint16_t yw_next_boot(bool *lost)
{
    uint16_t first, second;
    bool has_first = yw_boot_read(0, &first), has_second = yw_boot_read(1, &second);
    bool second_is_newer = has_second && (!has_first || (int16_t)(second - first) > 0);
    uint16_t boot = second_is_newer ? second : first;
    *lost = !has_first && !has_second;
    boot = (uint16_t)(*lost ? yw_entropy() : boot + 1U);
    yw_boot_write(second_is_newer ? 0 : 1, boot);
    return boot;
}

#endif
