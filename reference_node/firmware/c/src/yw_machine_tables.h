/* The transition tables of the roles, two bytes a row: from the lowest bit 3 of the state, 5 of the event, 3 of the
 * next state, 2 of the guard. A guard is 0 for none, 1 where the fact must hold, 2 where it must not. Made from the
 * specification by `python -m conformance.publish.firmware`; do not edit. */

enum {YW_EVENT_ASK = 0, YW_EVENT_CLAIM = 1, YW_EVENT_HOLD = 2, YW_EVENT_RESUME = 3, YW_EVENT_CANCEL = 4, YW_EVENT_RESET_FAULT = 5, YW_EVENT_TRANSFER = 6, YW_EVENT_HOME = 7, YW_EVENT_PARK = 8, YW_EVENT_JOG = 9, YW_EVENT_ADMIT = 10, YW_EVENT_DEPART = 11, YW_EVENT_RUN = 12, YW_EVENT_STIMULUS = 13, YW_EVENT_SET_UPTIME = 14, YW_EVENT_FINISH = 16, YW_EVENT_HALT = 17, YW_EVENT_BY_HAND = 18, YW_EVENT_BY_HAND_END = 19, YW_EVENT_END = 20, YW_EVENT_ARMING = 21, YW_EVENT_REST = 22, YW_EVENT_GONE = 23, YW_EVENT_STOP = 24};

/* The faults of level halt, one bit each. */
#define YW_HALT_CODES 0x3FF0U

#if YW_ROLE == YW_ROLE_IS_CRANE
/* Crane mode */
#define YW_ROLE_ACTS YW_ACTS_OF_CRANE
#define YW_INITIAL 0
static const uint16_t yw_rows[21] YW_FLASH = {
    0x0138, /* unhomed, home: homing */
    0x013A, /* ready, home: homing */
    0x0281, /* homing, finish: ready */
    0x0021, /* homing, cancel: unhomed */
    0x0332, /* ready, transfer: working */
    0x0342, /* ready, park: working */
    0x034A, /* ready, jog: working */
    0x0283, /* working, finish: ready */
    0x0223, /* working, cancel: ready */
    0x0488, /* unhomed, halt: faulted */
    0x0489, /* homing, halt: faulted */
    0x048A, /* ready, halt: faulted */
    0x048B, /* working, halt: faulted */
    0x048D, /* manual, halt: faulted */
    0x048C, /* faulted, halt: faulted */
    0x0A2C, /* faulted, reset-fault, every_axis_homed: ready */
    0x102C, /* faulted, reset-fault, an_axis_unhomed: unhomed */
    0x0590, /* unhomed, by-hand: manual */
    0x0592, /* ready, by-hand: manual */
    0x0594, /* faulted, by-hand: manual */
    0x009D, /* manual, by-hand-end: unhomed */
};
#endif

#if YW_ROLE == YW_ROLE_IS_BERTH
/* Arrival state of a berth */
#define YW_ROLE_ACTS YW_ACTS_OF_BERTH
#define YW_INITIAL 5
static const uint16_t yw_rows[14] YW_FLASH = {
    0x0150, /* empty, admit: admitting */
    0x01A1, /* admitting, end: admitting */
    0x02A9, /* admitting, arming: armed */
    0x03B2, /* armed, rest: at-rest */
    0x045B, /* at-rest, depart: leaving */
    0x00BC, /* leaving, gone: empty */
    0x0589, /* admitting, halt: lost */
    0x058A, /* armed, halt: lost */
    0x058C, /* leaving, halt: lost */
    0x058B, /* at-rest, halt: lost */
    0x0588, /* empty, halt: lost */
    0x058D, /* lost, halt: lost */
    0x082D, /* lost, reset-fault, track_found_empty: empty */
    0x152D, /* lost, reset-fault, nothing_said: lost */
};
#endif

#if YW_ROLE == YW_ROLE_IS_SHUTTLE
/* Shuttle state */
#define YW_ROLE_ACTS YW_ACTS_OF_SHUTTLE
#define YW_INITIAL 2
static const uint16_t yw_rows[8] YW_FLASH = {
    0x0061, /* at-place, run: moving */
    0x09C0, /* moving, stop, stop_is_target: at-place */
    0x10C0, /* moving, stop, stop_is_other: moving */
    0x0288, /* moving, halt: lost */
    0x0289, /* at-place, halt: lost */
    0x028A, /* lost, halt: lost */
    0x092A, /* lost, reset-fault, place_found: at-place */
    0x122A, /* lost, reset-fault, nothing_said: lost */
};
#endif

