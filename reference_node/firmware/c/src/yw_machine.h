/* The machine of the role: its table of transitions, and nothing that is not in it. */
#ifndef YW_MACHINE_H
#define YW_MACHINE_H

enum {YW_ROWS = sizeof yw_rows / sizeof yw_rows[0]};

/* Where `event` leads from the present state; YW_NO_WORD where no row is taken. `holds` is the fact of its guard. */
static uint8_t yw_next_state(uint8_t event, bool holds)
{
    for (uint8_t i = 0; i < YW_ROWS; ++i) {
        uint16_t row = yw_flash_16(&yw_rows[i]);
        uint8_t guard = (uint8_t)(row >> 11);
        if ((row & 0xFF) == (uint16_t)(event << 3 | yw_state) && (guard == 0 || (guard == 1) == holds)) {
            return row >> 8 & 7;
        }
    }
    return YW_NO_WORD;
}

/* Lets `event` happen; true where the state is another now. */
static bool yw_fire(uint8_t event, bool holds)
{
    uint8_t next = yw_next_state(event, holds);
    if (next == YW_NO_WORD || next == yw_state) {
        return false;
    }
    yw_state = next;
    yw_changed(YW_SAY_ROLE);
    return true;
}

static bool yw_role_allows(uint8_t act)
{
    return yw_next_state(act, true) != YW_NO_WORD;
}

#if YW_ROLE != YW_ROLE_IS_CRANE
/* It has come to stand, or was found standing: for a while its sensors may still change [BER-10, SHT-07]. */
static void yw_stands(void)
{
    yw.settled_ms = yw.now_ms + YW_SETTLING_MS_EXACT;
}

/* A sensor changed where nothing was ordered: it was pushed, and is lost. */
static bool yw_was_pushed(uint8_t lines, const char *part)
{
    if (!lines || (int32_t)(yw.now_ms - yw.settled_ms) < 0) {
        return false;
    }
    yw_halt(YW_FAULT_CODE_INPUT_LOST, part);
    return true;
}
#endif

#endif
