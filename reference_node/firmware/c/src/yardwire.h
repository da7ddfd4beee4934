/* Yardwire protocol version 1.1: constants for firmware in C99.
 * Made from the specification; do not edit.
 *
 * Define YARDWIRE_TABLES before including it for the transition tables, YARDWIRE_WORDS for the words that JSON
 * carries. On AVR both stay in flash: read them with memcpy_P, pgm_read_byte and pgm_read_ptr.
 */
#ifndef YARDWIRE_H
#define YARDWIRE_H

#include <stddef.h>
#include <stdint.h>

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define YW_FLASH PROGMEM
#else
#define YW_FLASH
#endif

#define YW_MAJOR 1
#define YW_MINOR 1
#define YW_ROOT "yw1"
#define YW_EVERYONE "all"

/* CBOR keys. */
#define YW_KEY_CRANE_STATUS_BOOT 0
#define YW_KEY_CRANE_STATUS_SEQ 1
#define YW_KEY_CRANE_STATUS_UPTIME 2
#define YW_KEY_CRANE_STATUS_MARK 3
#define YW_KEY_CRANE_STATUS_JOB 4
#define YW_KEY_CRANE_STATUS_JOB_STATE 5
#define YW_KEY_CRANE_STATUS_HELD 6
#define YW_KEY_CRANE_STATUS_HOLDS 7
#define YW_KEY_CRANE_STATUS_INPUTS 8
#define YW_KEY_CRANE_STATUS_MODE 9
#define YW_KEY_CRANE_STATUS_AXES 10
#define YW_KEY_CRANE_STATUS_SPREADER 11
#define YW_KEY_CRANE_STATUS_LOAD 12
#define YW_KEY_FAULT_BOOT 0
#define YW_KEY_FAULT_SEQ 1
#define YW_KEY_FAULT_UPTIME 2
#define YW_KEY_FAULT_JOB 4
#define YW_KEY_FAULT_ACTIVE 9
#define YW_KEY_FAULT_CHANGED 10
#define YW_KEY_FAULT_LEVEL 11
#define YW_KEY_FAULT_PART 12
#define YW_KEY_FAULT_FAULTS 13
#define YW_KEY_JOB_ORDER_BOOT 0
#define YW_KEY_JOB_ORDER_ID 1
#define YW_KEY_JOB_ORDER_ACT 2
#define YW_KEY_JOB_ORDER_DEADLINE 3
#define YW_KEY_JOB_ORDER_FROM 4
#define YW_KEY_JOB_ORDER_FROM_SLOT 5
#define YW_KEY_JOB_ORDER_TO 6
#define YW_KEY_JOB_ORDER_TO_SLOT 7
#define YW_KEY_JOB_ORDER_BOX 8
#define YW_KEY_JOB_ORDER_READING 9
#define YW_KEY_JOB_ORDER_ARRIVAL 10
#define YW_KEY_JOB_ORDER_BERTH_BOOT 11
#define YW_KEY_JOB_ORDER_STOP 12
#define YW_KEY_JOB_ORDER_SHUTTLE_BOOT 13
#define YW_KEY_JOB_ORDER_TARGET 14
#define YW_KEY_JOB_ORDER_REF 15
#define YW_KEY_JOB_ORDER_TOKEN 16
#define YW_KEY_JOB_ORDER_FAULTS 17
#define YW_KEY_JOB_ORDER_FOUND 18
#define YW_KEY_JOB_ORDER_PLACE 19
#define YW_KEY_JOB_ORDER_INPUTS 20
#define YW_KEY_JOB_ORDER_HOLDS 21
#define YW_KEY_JOB_ORDER_UPTIME 22
#define YW_KEY_JOB_ORDER_TRAIN 23
#define YW_KEY_JOB_REPORT_BOOT 0
#define YW_KEY_JOB_REPORT_SEQ 1
#define YW_KEY_JOB_REPORT_UPTIME 2
#define YW_KEY_JOB_REPORT_MARK 3
#define YW_KEY_JOB_REPORT_ID 4
#define YW_KEY_JOB_REPORT_STATE 5
#define YW_KEY_JOB_REPORT_ORDER_BOOT 6
#define YW_KEY_JOB_REPORT_TOKEN 7
#define YW_KEY_JOB_REPORT_ACT 9
#define YW_KEY_JOB_REPORT_STEP 10
#define YW_KEY_JOB_REPORT_REASON 11
#define YW_KEY_JOB_REPORT_BOX 12
#define YW_KEY_JOB_REPORT_LOAD 13
#define YW_KEY_JOB_REPORT_CLAIMANT 14
#define YW_KEY_NODE_STATUS_BOOT 0
#define YW_KEY_NODE_STATUS_SEQ 1
#define YW_KEY_NODE_STATUS_UPTIME 2
#define YW_KEY_NODE_STATUS_MARK 3
#define YW_KEY_NODE_STATUS_STARTS 8
#define YW_KEY_NODE_STATUS_STATE 9
#define YW_KEY_NODE_STATUS_LINK 10
#define YW_KEY_NODE_STATUS_ROLES 11
#define YW_KEY_NODE_STATUS_FIRMWARE 12
#define YW_KEY_NODE_STATUS_MINOR 13
#define YW_KEY_NODE_STATUS_READS 14
#define YW_KEY_NODE_STATUS_RESET 15
#define YW_KEY_NODE_STATUS_BENCH 16
#define YW_KEY_NODE_STATUS_DIGEST 17
#define YW_KEY_NODE_STATUS_BUFFER 18
#define YW_KEY_NODE_STATUS_MEMORY 19
#define YW_KEY_SHUTTLE_STATUS_BOOT 0
#define YW_KEY_SHUTTLE_STATUS_SEQ 1
#define YW_KEY_SHUTTLE_STATUS_UPTIME 2
#define YW_KEY_SHUTTLE_STATUS_MARK 3
#define YW_KEY_SHUTTLE_STATUS_JOB 4
#define YW_KEY_SHUTTLE_STATUS_JOB_STATE 5
#define YW_KEY_SHUTTLE_STATUS_HELD 6
#define YW_KEY_SHUTTLE_STATUS_HOLDS 7
#define YW_KEY_SHUTTLE_STATUS_INPUTS 8
#define YW_KEY_SHUTTLE_STATUS_STATE 9
#define YW_KEY_SHUTTLE_STATUS_PLACE 10
#define YW_KEY_SHUTTLE_STATUS_STOP 11
#define YW_KEY_SHUTTLE_STATUS_LOAD 12
#define YW_KEY_TRAIN_ARRIVAL_BOOT 0
#define YW_KEY_TRAIN_ARRIVAL_SEQ 1
#define YW_KEY_TRAIN_ARRIVAL_UPTIME 2
#define YW_KEY_TRAIN_ARRIVAL_MARK 3
#define YW_KEY_TRAIN_ARRIVAL_JOB 4
#define YW_KEY_TRAIN_ARRIVAL_JOB_STATE 5
#define YW_KEY_TRAIN_ARRIVAL_HELD 6
#define YW_KEY_TRAIN_ARRIVAL_HOLDS 7
#define YW_KEY_TRAIN_ARRIVAL_INPUTS 8
#define YW_KEY_TRAIN_ARRIVAL_STATE 9
#define YW_KEY_TRAIN_ARRIVAL_ARRIVAL 10
#define YW_KEY_TRAIN_ARRIVAL_READING 11
#define YW_KEY_TRAIN_ARRIVAL_IGNORED 12
#define YW_KEY_TRAIN_ARRIVAL_ARM_TO_END 13
#define YW_KEY_TRAIN_ARRIVAL_TRAIN 14
#define YW_KEY_YARD_MAP_BOOT 0
#define YW_KEY_YARD_MAP_SEQ 1
#define YW_KEY_YARD_MAP_UPTIME 2
#define YW_KEY_YARD_MAP_SLOTS 9
#define YW_KEY_YARD_MAP_STATE 10
#define YW_KEY_YARD_MAP_WHY 11
#define YW_KEY_YARD_MAP_RESTS_ON 12

/* Words: their integers in CBOR. */
enum yw_load {
    YW_LOAD_NONE = 0,
    YW_LOAD_BOX = 1,
    YW_LOAD_UNSURE = 2
};
enum yw_role {
    YW_ROLE_CRANE = 0,
    YW_ROLE_BERTH = 1,
    YW_ROLE_SHUTTLE = 2,
    YW_ROLE_SUPERVISOR = 3
};
enum yw_act {
    YW_ACT_ASK = 0,
    YW_ACT_CLAIM = 1,
    YW_ACT_HOLD = 2,
    YW_ACT_RESUME = 3,
    YW_ACT_CANCEL = 4,
    YW_ACT_RESET_FAULT = 5,
    YW_ACT_TRANSFER = 6,
    YW_ACT_HOME = 7,
    YW_ACT_PARK = 8,
    YW_ACT_JOG = 9,
    YW_ACT_ADMIT = 10,
    YW_ACT_DEPART = 11,
    YW_ACT_RUN = 12,
    YW_ACT_STIMULUS = 13,
    YW_ACT_SET_UPTIME = 14
};
enum yw_job_state {
    YW_JOB_STATE_ACCEPTED = 0,
    YW_JOB_STATE_RUNNING = 1,
    YW_JOB_STATE_DONE = 2,
    YW_JOB_STATE_FAILED = 3,
    YW_JOB_STATE_CANCELLED = 4,
    YW_JOB_STATE_REFUSED = 5
};
enum yw_step {
    YW_STEP_HOMING = 0,
    YW_STEP_TRAVEL_TO_PICK = 1,
    YW_STEP_LOWER_TO_PICK = 2,
    YW_STEP_GRIP = 3,
    YW_STEP_LIFT = 4,
    YW_STEP_TRAVEL_TO_DROP = 5,
    YW_STEP_LOWER_TO_DROP = 6,
    YW_STEP_RELEASE = 7,
    YW_STEP_CLEAR = 8,
    YW_STEP_TRAVEL = 9,
    YW_STEP_APPROACH = 10,
    YW_STEP_ARMING_PASSED = 11,
    YW_STEP_COASTING = 12,
    YW_STEP_LEAVING = 13
};
enum yw_reason {
    YW_REASON_WRONG_BOOT = 0,
    YW_REASON_STALE = 1,
    YW_REASON_LATE = 2,
    YW_REASON_BUSY = 3,
    YW_REASON_HELD = 4,
    YW_REASON_MODE = 5,
    YW_REASON_LOAD = 6,
    YW_REASON_PLACE = 7,
    YW_REASON_REACH = 8,
    YW_REASON_OUTSIDE_TABLE = 9,
    YW_REASON_STATE = 10,
    YW_REASON_NOT_BENCH = 11,
    YW_REASON_HOLDS_COUNT = 12,
    YW_REASON_FAULT_COUNT = 13,
    YW_REASON_TOO_LATE = 14,
    YW_REASON_FAULT = 15,
    YW_REASON_UNSUPPORTED = 16,
    YW_REASON_NOTHING_FOUND = 17
};
enum yw_fault_code {
    YW_FAULT_CODE_BAD_MESSAGE = 0,
    YW_FAULT_CODE_LOAD_UNSURE = 1,
    YW_FAULT_CODE_BOOT_LOST = 2,
    YW_FAULT_CODE_MEMORY_LOW = 3,
    YW_FAULT_CODE_HOME_MISSED = 4,
    YW_FAULT_CODE_AXIS_STUCK = 5,
    YW_FAULT_CODE_PICK_MISSED = 6,
    YW_FAULT_CODE_DROP_FAILED = 7,
    YW_FAULT_CODE_POWER_LOST = 8,
    YW_FAULT_CODE_NOT_ARMED = 9,
    YW_FAULT_CODE_END_MISSED = 10,
    YW_FAULT_CODE_TRAIN_STUCK = 11,
    YW_FAULT_CODE_STOP_MISSED = 12,
    YW_FAULT_CODE_INPUT_LOST = 13
};
enum yw_level {
    YW_LEVEL_WARN = 0,
    YW_LEVEL_HALT = 1
};
enum yw_sensor {
    YW_SENSOR_ARMING = 0,
    YW_SENSOR_END = 1,
    YW_SENSOR_HOME_X = 2,
    YW_SENSOR_HOME_Y = 3,
    YW_SENSOR_HOME_Z = 4,
    YW_SENSOR_LOAD = 5,
    YW_SENSOR_MOTOR_POWER = 6,
    YW_SENSOR_STOP_1 = 7,
    YW_SENSOR_STOP_2 = 8,
    YW_SENSOR_STOP_3 = 9,
    YW_SENSOR_STOP_4 = 10
};
enum yw_crane_status_mode {
    YW_CRANE_STATUS_MODE_UNHOMED = 0,
    YW_CRANE_STATUS_MODE_HOMING = 1,
    YW_CRANE_STATUS_MODE_READY = 2,
    YW_CRANE_STATUS_MODE_WORKING = 3,
    YW_CRANE_STATUS_MODE_FAULTED = 4,
    YW_CRANE_STATUS_MODE_MANUAL = 5
};
enum yw_crane_status_spreader {
    YW_CRANE_STATUS_SPREADER_OPEN = 0,
    YW_CRANE_STATUS_SPREADER_CLOSED = 1,
    YW_CRANE_STATUS_SPREADER_MOVING = 2,
    YW_CRANE_STATUS_SPREADER_UNSURE = 3
};
enum yw_node_status_state {
    YW_NODE_STATUS_STATE_ON = 0,
    YW_NODE_STATUS_STATE_OFF = 1
};
enum yw_node_status_reads {
    YW_NODE_STATUS_READS_JSON = 0,
    YW_NODE_STATUS_READS_CBOR = 1,
    YW_NODE_STATUS_READS_BOTH = 2
};
enum yw_node_status_reset {
    YW_NODE_STATUS_RESET_POWER_ON = 0,
    YW_NODE_STATUS_RESET_WATCHDOG = 1,
    YW_NODE_STATUS_RESET_BROWN_OUT = 2,
    YW_NODE_STATUS_RESET_SOFTWARE = 3,
    YW_NODE_STATUS_RESET_EXTERNAL = 4,
    YW_NODE_STATUS_RESET_UNKNOWN = 5
};
enum yw_shuttle_status_state {
    YW_SHUTTLE_STATUS_STATE_MOVING = 0,
    YW_SHUTTLE_STATUS_STATE_AT_PLACE = 1,
    YW_SHUTTLE_STATUS_STATE_LOST = 2
};
enum yw_train_arrival_state {
    YW_TRAIN_ARRIVAL_STATE_EMPTY = 0,
    YW_TRAIN_ARRIVAL_STATE_ADMITTING = 1,
    YW_TRAIN_ARRIVAL_STATE_ARMED = 2,
    YW_TRAIN_ARRIVAL_STATE_AT_REST = 3,
    YW_TRAIN_ARRIVAL_STATE_LEAVING = 4,
    YW_TRAIN_ARRIVAL_STATE_LOST = 5
};
enum yw_yard_map_state {
    YW_YARD_MAP_STATE_RUNNING = 0,
    YW_YARD_MAP_STATE_BLOCKED = 1
};
enum yw_reset_fault_found {
    YW_RESET_FAULT_FOUND_NONE = 0,
    YW_RESET_FAULT_FOUND_BOX = 1
};

/* Longest payloads in bytes, without the topic. */
#define YW_SIZE_CRANE_STATUS_JSON 273
#define YW_SIZE_CRANE_STATUS_CBOR 70
#define YW_SIZE_FAULT_JSON 257
#define YW_SIZE_FAULT_CBOR 49
#define YW_SIZE_JOB_REPORT_JSON 241
#define YW_SIZE_JOB_REPORT_CBOR 61
#define YW_SIZE_NODE_STATUS_JSON 288
#define YW_SIZE_NODE_STATUS_CBOR 75
#define YW_SIZE_SHUTTLE_STATUS_JSON 212
#define YW_SIZE_SHUTTLE_STATUS_CBOR 56
#define YW_SIZE_TRAIN_ARRIVAL_JSON 250
#define YW_SIZE_TRAIN_ARRIVAL_CBOR 66
#define YW_SIZE_YARD_MAP_JSON 936
#define YW_SIZE_YARD_MAP_CBOR 645
#define YW_SIZE_JOB_ORDER_ASK_JSON 32
#define YW_SIZE_JOB_ORDER_ASK_CBOR 9
#define YW_SIZE_JOB_ORDER_CLAIM_JSON 63
#define YW_SIZE_JOB_ORDER_CLAIM_CBOR 19
#define YW_SIZE_JOB_ORDER_HOLD_JSON 33
#define YW_SIZE_JOB_ORDER_HOLD_CBOR 9
#define YW_SIZE_JOB_ORDER_RESUME_JSON 59
#define YW_SIZE_JOB_ORDER_RESUME_CBOR 17
#define YW_SIZE_JOB_ORDER_CANCEL_JSON 62
#define YW_SIZE_JOB_ORDER_CANCEL_CBOR 19
#define YW_SIZE_JOB_ORDER_RESET_FAULT_JSON 99
#define YW_SIZE_JOB_ORDER_RESET_FAULT_CBOR 29
#define YW_SIZE_JOB_ORDER_TRANSFER_JSON 240
#define YW_SIZE_JOB_ORDER_TRANSFER_CBOR 79
#define YW_SIZE_JOB_ORDER_HOME_JSON 65
#define YW_SIZE_JOB_ORDER_HOME_CBOR 19
#define YW_SIZE_JOB_ORDER_PARK_JSON 65
#define YW_SIZE_JOB_ORDER_PARK_CBOR 19
#define YW_SIZE_JOB_ORDER_JOG_JSON 96
#define YW_SIZE_JOB_ORDER_JOG_CBOR 30
#define YW_SIZE_JOB_ORDER_ADMIT_JSON 85
#define YW_SIZE_JOB_ORDER_ADMIT_CBOR 29
#define YW_SIZE_JOB_ORDER_DEPART_JSON 67
#define YW_SIZE_JOB_ORDER_DEPART_CBOR 19
#define YW_SIZE_JOB_ORDER_RUN_JSON 80
#define YW_SIZE_JOB_ORDER_RUN_CBOR 29
#define YW_SIZE_JOB_ORDER_STIMULUS_JSON 338
#define YW_SIZE_JOB_ORDER_STIMULUS_CBOR 75
#define YW_SIZE_JOB_ORDER_SET_UPTIME_JSON 69
#define YW_SIZE_JOB_ORDER_SET_UPTIME_CBOR 19

/* Serial line: kinds of frame, keys and words of 'here' and 'bus'. */
#define YW_LINE_HERE 0x01
#define YW_LINE_NODE_STATUS 0x02
#define YW_LINE_TRAIN_ARRIVAL 0x03
#define YW_LINE_SHUTTLE_STATUS 0x04
#define YW_LINE_CRANE_STATUS 0x05
#define YW_LINE_FAULT 0x06
#define YW_LINE_JOB_REPORT 0x07
#define YW_LINE_BUS 0x81
#define YW_LINE_JOB_ORDER 0x82
#define YW_LINE_JOB_ORDER_TO_ALL 0x83
#define YW_LINE_KEY_BOOT 0
#define YW_LINE_KEY_STATE 9
#define YW_LINE_KEY_LINK 10
#define YW_LINE_KEY_SITE 20
#define YW_LINE_KEY_NODE 21
enum yw_line_state {
    YW_LINE_STATE_ON = 0,
    YW_LINE_STATE_OFF = 1,
    YW_LINE_STATE_NEW = 2
};

/* Times and limits. */
#define YW_STATE_REPEAT_MS_MOST 2000
#define YW_STATUS_REPEAT_MS_MOST 10000
#define YW_REPEAT_TOLERANCE_PERCENT_EXACT 5
#define YW_ANSWER_MS_MOST 200
#define YW_BAD_MESSAGE_GAP_MS_LEAST 1000
#define YW_KEEP_ALIVE_S_LEAST 2
#define YW_KEEP_ALIVE_S_MOST 15
#define YW_SILENCE_KEEP_ALIVES_EXACT 1.5
#define YW_STATE_SILENCE_MS_MOST 5000
#define YW_RECONNECT_MS_LEAST 500
#define YW_RECONNECT_MS_MOST 10000
#define YW_ORDER_REPEAT_MS_LEAST 500
#define YW_ORDER_REPEAT_MS_MOST 2000
#define YW_ORDER_LEAD_MS_MOST 30000UL
#define YW_CLAIM_ORDERS_ORDERS_EXACT 255
#define YW_ORDER_RATE_ORDERS_PER_S_MOST 20
#define YW_SETTLING_MS_EXACT 3000
#define YW_LINE_BEAT_MS_LEAST 250
#define YW_LINE_BEAT_MS_MOST 1000
#define YW_LINE_SILENCE_MS_EXACT 3000
#define YW_PUBLISH_CBOR_BYTES_MOST 121
#define YW_PUBLISH_JSON_BYTES_MOST 384
#define YW_PUBLISH_YARD_MAP_BYTES_MOST 1024
#define YW_PACKET_BYTES_MOST 128
#define YW_CLIENT_ID_CHARACTERS_MOST 8
#define YW_USER_NAME_CHARACTERS_MOST 8
#define YW_PASSWORD_BYTES_MOST 10
#define YW_DEPTH_LEVELS_MOST 4
#define YW_FRAME_BYTES_MOST 128

/* Milliseconds left until `deadline`, below 0 when it has passed, right across the wrap [ORD-10, ORD-11]. */
static inline int32_t yw_left(uint32_t deadline, uint32_t uptime)
{
    return (int32_t)(deadline - uptime);
}

/* Builds a topic out of parts that end with a null pointer. Returns its length, or 0 where it does not fit. */
static inline size_t yw_join(char *out, size_t size, const char *const *parts)
{
    size_t at = 0;
    for (; *parts; ++parts) {
        const char *part = *parts;
        while (*part) {
            if (at + 1 >= size) {
                return 0;
            }
            out[at++] = *part++;
        }
    }
    if (at >= size) {
        return 0;
    }
    out[at] = 0;
    return at;
}

static inline size_t yw_topic_node_status(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/node-status", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_train_arrival(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/train-arrival", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_shuttle_status(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/shuttle-status", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_crane_status(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/crane-status", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_fault(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/fault", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_job_order(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/job-order", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_job_report(char *out, size_t size, const char *site, const char *node)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/job-report", NULL};
    return yw_join(out, size, parts);
}

static inline size_t yw_topic_yard_map(char *out, size_t size, const char *site, const char *node, const char *place)
{
    const char *const parts[] = {"yw1/", site, "/", node, "/yard-map/", place, NULL};
    return yw_join(out, size, parts);
}

#if defined(YARDWIRE_WORDS)
static const char yw_load_words[3][7] YW_FLASH = {"none", "box", "unsure"};
static const char yw_role_words[4][11] YW_FLASH = {"crane", "berth", "shuttle", "supervisor"};
static const char yw_act_words[15][12] YW_FLASH = {"ask", "claim", "hold", "resume", "cancel", "reset-fault", "transfer", "home", "park", "jog", "admit", "depart", "run", "stimulus", "set-uptime"};
static const char yw_job_state_words[6][10] YW_FLASH = {"accepted", "running", "done", "failed", "cancelled", "refused"};
static const char yw_step_words[14][15] YW_FLASH = {"homing", "travel-to-pick", "lower-to-pick", "grip", "lift", "travel-to-drop", "lower-to-drop", "release", "clear", "travel", "approach", "arming-passed", "coasting", "leaving"};
static const char yw_reason_words[18][14] YW_FLASH = {"wrong-boot", "stale", "late", "busy", "held", "mode", "load", "place", "reach", "outside-table", "state", "not-bench", "holds-count", "fault-count", "too-late", "fault", "unsupported", "nothing-found"};
static const char yw_fault_code_words[14][12] YW_FLASH = {"bad-message", "load-unsure", "boot-lost", "memory-low", "home-missed", "axis-stuck", "pick-missed", "drop-failed", "power-lost", "not-armed", "end-missed", "train-stuck", "stop-missed", "input-lost"};
static const char yw_level_words[2][5] YW_FLASH = {"warn", "halt"};
static const char yw_sensor_words[11][12] YW_FLASH = {"arming", "end", "home-x", "home-y", "home-z", "load", "motor-power", "stop-1", "stop-2", "stop-3", "stop-4"};
static const char yw_crane_status_mode_words[6][8] YW_FLASH = {"unhomed", "homing", "ready", "working", "faulted", "manual"};
static const char yw_crane_status_spreader_words[4][7] YW_FLASH = {"open", "closed", "moving", "unsure"};
static const char yw_node_status_state_words[2][4] YW_FLASH = {"on", "off"};
static const char yw_node_status_reads_words[3][5] YW_FLASH = {"json", "cbor", "both"};
static const char yw_node_status_reset_words[6][10] YW_FLASH = {"power-on", "watchdog", "brown-out", "software", "external", "unknown"};
static const char yw_shuttle_status_state_words[3][9] YW_FLASH = {"moving", "at-place", "lost"};
static const char yw_train_arrival_state_words[6][10] YW_FLASH = {"empty", "admitting", "armed", "at-rest", "leaving", "lost"};
static const char yw_yard_map_state_words[2][8] YW_FLASH = {"running", "blocked"};
static const char yw_reset_fault_found_words[2][5] YW_FLASH = {"none", "box"};
static const uint8_t yw_fault_code_level[] YW_FLASH = {YW_LEVEL_WARN, YW_LEVEL_WARN, YW_LEVEL_WARN, YW_LEVEL_WARN, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT, YW_LEVEL_HALT};
#endif

#if defined(YARDWIRE_TABLES)
/* `sends` has one bit for each word; guard 0 is no guard. */
struct yw_transition {
    uint8_t state, event, guard, next, sends;
};

/* Job, seen by its node */
enum yw_job_table_state {
    YW_JOB_TABLE_STATE_NONE = 0,
    YW_JOB_TABLE_STATE_ACCEPTED = 1,
    YW_JOB_TABLE_STATE_RUNNING = 2,
    YW_JOB_TABLE_STATE_DONE = 3,
    YW_JOB_TABLE_STATE_FAILED = 4,
    YW_JOB_TABLE_STATE_CANCELLED = 5
};
enum yw_job_table_event {
    YW_JOB_TABLE_EVENT_ORDER = 0,
    YW_JOB_TABLE_EVENT_CANCEL = 1,
    YW_JOB_TABLE_EVENT_START = 2,
    YW_JOB_TABLE_EVENT_HALT = 3,
    YW_JOB_TABLE_EVENT_LATE = 4,
    YW_JOB_TABLE_EVENT_FINISH = 5,
    YW_JOB_TABLE_EVENT_REPEAT = 6
};
enum yw_job_table_guard {
    YW_JOB_TABLE_GUARD_ALWAYS = 0,
    YW_JOB_TABLE_GUARD_ORDER_IS_FIT = 1,
    YW_JOB_TABLE_GUARD_ORDER_IS_UNFIT = 2,
    YW_JOB_TABLE_GUARD_NOTHING_PICKED = 3,
    YW_JOB_TABLE_GUARD_PICKED = 4
};
enum yw_job_table_sends {
    YW_JOB_TABLE_SENDS_REPORT = 1,
    YW_JOB_TABLE_SENDS_STATE = 2,
    YW_JOB_TABLE_SENDS_REFUSAL = 4
};
#define YW_JOB_TABLE_INITIAL 0
static const struct yw_transition yw_job_table[] YW_FLASH = {
    {0, 0, 1, 1, 3},
    {0, 0, 2, 0, 4},
    {0, 1, 0, 0, 1},
    {1, 2, 0, 2, 3},
    {1, 1, 0, 5, 3},
    {1, 3, 0, 4, 3},
    {1, 4, 0, 4, 3},
    {2, 5, 0, 3, 3},
    {2, 3, 0, 4, 3},
    {2, 1, 3, 5, 3},
    {2, 1, 4, 2, 1},
    {1, 6, 0, 1, 1},
    {2, 6, 0, 2, 1},
    {3, 6, 0, 3, 1},
    {4, 6, 0, 4, 1},
    {5, 6, 0, 5, 1},
    {3, 1, 0, 3, 1},
    {4, 1, 0, 4, 1},
    {5, 1, 0, 5, 1},
    {3, 0, 1, 1, 3},
    {4, 0, 1, 1, 3},
    {5, 0, 1, 1, 3},
    {3, 0, 2, 3, 4},
    {4, 0, 2, 4, 4},
    {5, 0, 2, 5, 4},
    {1, 0, 0, 1, 4},
    {2, 0, 0, 2, 4}
};

/* Crane mode */
enum yw_crane_table_state {
    YW_CRANE_TABLE_STATE_UNHOMED = 0,
    YW_CRANE_TABLE_STATE_HOMING = 1,
    YW_CRANE_TABLE_STATE_READY = 2,
    YW_CRANE_TABLE_STATE_WORKING = 3,
    YW_CRANE_TABLE_STATE_FAULTED = 4,
    YW_CRANE_TABLE_STATE_MANUAL = 5
};
enum yw_crane_table_event {
    YW_CRANE_TABLE_EVENT_HOME = 0,
    YW_CRANE_TABLE_EVENT_FINISH = 1,
    YW_CRANE_TABLE_EVENT_CANCEL = 2,
    YW_CRANE_TABLE_EVENT_TRANSFER = 3,
    YW_CRANE_TABLE_EVENT_PARK = 4,
    YW_CRANE_TABLE_EVENT_JOG = 5,
    YW_CRANE_TABLE_EVENT_HALT = 6,
    YW_CRANE_TABLE_EVENT_RESET_FAULT = 7,
    YW_CRANE_TABLE_EVENT_BY_HAND = 8,
    YW_CRANE_TABLE_EVENT_BY_HAND_END = 9
};
enum yw_crane_table_guard {
    YW_CRANE_TABLE_GUARD_ALWAYS = 0,
    YW_CRANE_TABLE_GUARD_EVERY_AXIS_HOMED = 1,
    YW_CRANE_TABLE_GUARD_AN_AXIS_UNHOMED = 2
};
enum yw_crane_table_sends {
    YW_CRANE_TABLE_SENDS_REPORT = 1,
    YW_CRANE_TABLE_SENDS_STATE = 2,
    YW_CRANE_TABLE_SENDS_FAULT = 4
};
#define YW_CRANE_TABLE_INITIAL 0
static const struct yw_transition yw_crane_table[] YW_FLASH = {
    {0, 0, 0, 1, 3},
    {2, 0, 0, 1, 3},
    {1, 1, 0, 2, 3},
    {1, 2, 0, 0, 3},
    {2, 3, 0, 3, 3},
    {2, 4, 0, 3, 3},
    {2, 5, 0, 3, 3},
    {3, 1, 0, 2, 3},
    {3, 2, 0, 2, 3},
    {0, 6, 0, 4, 6},
    {1, 6, 0, 4, 7},
    {2, 6, 0, 4, 6},
    {3, 6, 0, 4, 7},
    {5, 6, 0, 4, 6},
    {4, 6, 0, 4, 6},
    {4, 7, 1, 2, 6},
    {4, 7, 2, 0, 6},
    {0, 8, 0, 5, 2},
    {2, 8, 0, 5, 2},
    {4, 8, 0, 5, 2},
    {5, 9, 0, 0, 2}
};

/* Arrival state of a berth */
enum yw_berth_table_state {
    YW_BERTH_TABLE_STATE_EMPTY = 0,
    YW_BERTH_TABLE_STATE_ADMITTING = 1,
    YW_BERTH_TABLE_STATE_ARMED = 2,
    YW_BERTH_TABLE_STATE_AT_REST = 3,
    YW_BERTH_TABLE_STATE_LEAVING = 4,
    YW_BERTH_TABLE_STATE_LOST = 5
};
enum yw_berth_table_event {
    YW_BERTH_TABLE_EVENT_ADMIT = 0,
    YW_BERTH_TABLE_EVENT_END = 1,
    YW_BERTH_TABLE_EVENT_ARMING = 2,
    YW_BERTH_TABLE_EVENT_REST = 3,
    YW_BERTH_TABLE_EVENT_DEPART = 4,
    YW_BERTH_TABLE_EVENT_GONE = 5,
    YW_BERTH_TABLE_EVENT_HALT = 6,
    YW_BERTH_TABLE_EVENT_RESET_FAULT = 7
};
enum yw_berth_table_guard {
    YW_BERTH_TABLE_GUARD_ALWAYS = 0,
    YW_BERTH_TABLE_GUARD_TRACK_FOUND_EMPTY = 1,
    YW_BERTH_TABLE_GUARD_NOTHING_SAID = 2
};
enum yw_berth_table_sends {
    YW_BERTH_TABLE_SENDS_REPORT = 1,
    YW_BERTH_TABLE_SENDS_STATE = 2,
    YW_BERTH_TABLE_SENDS_FAULT = 4
};
#define YW_BERTH_TABLE_INITIAL 5
static const struct yw_transition yw_berth_table[] YW_FLASH = {
    {0, 0, 0, 1, 3},
    {1, 1, 0, 1, 0},
    {1, 2, 0, 2, 3},
    {2, 3, 0, 3, 3},
    {3, 4, 0, 4, 3},
    {4, 5, 0, 0, 3},
    {1, 6, 0, 5, 7},
    {2, 6, 0, 5, 7},
    {4, 6, 0, 5, 7},
    {3, 6, 0, 5, 6},
    {0, 6, 0, 5, 6},
    {5, 6, 0, 5, 6},
    {5, 7, 1, 0, 6},
    {5, 7, 2, 5, 6}
};

/* Shuttle state */
enum yw_shuttle_table_state {
    YW_SHUTTLE_TABLE_STATE_LOST = 0,
    YW_SHUTTLE_TABLE_STATE_AT_PLACE = 1,
    YW_SHUTTLE_TABLE_STATE_MOVING = 2
};
enum yw_shuttle_table_event {
    YW_SHUTTLE_TABLE_EVENT_RUN = 0,
    YW_SHUTTLE_TABLE_EVENT_STOP = 1,
    YW_SHUTTLE_TABLE_EVENT_HALT = 2,
    YW_SHUTTLE_TABLE_EVENT_RESET_FAULT = 3
};
enum yw_shuttle_table_guard {
    YW_SHUTTLE_TABLE_GUARD_ALWAYS = 0,
    YW_SHUTTLE_TABLE_GUARD_STOP_IS_TARGET = 1,
    YW_SHUTTLE_TABLE_GUARD_STOP_IS_OTHER = 2,
    YW_SHUTTLE_TABLE_GUARD_PLACE_FOUND = 3,
    YW_SHUTTLE_TABLE_GUARD_NOTHING_SAID = 4
};
enum yw_shuttle_table_sends {
    YW_SHUTTLE_TABLE_SENDS_REPORT = 1,
    YW_SHUTTLE_TABLE_SENDS_STATE = 2,
    YW_SHUTTLE_TABLE_SENDS_FAULT = 4
};
#define YW_SHUTTLE_TABLE_INITIAL 0
static const struct yw_transition yw_shuttle_table[] YW_FLASH = {
    {1, 0, 0, 2, 3},
    {2, 1, 1, 1, 3},
    {2, 1, 2, 2, 0},
    {2, 2, 0, 0, 7},
    {1, 2, 0, 0, 6},
    {0, 2, 0, 0, 6},
    {0, 3, 3, 1, 6},
    {0, 3, 4, 0, 6}
};

/* A node, seen by its supervisor */
enum yw_belief_table_state {
    YW_BELIEF_TABLE_STATE_UNHEARD = 0,
    YW_BELIEF_TABLE_STATE_HINTED = 1,
    YW_BELIEF_TABLE_STATE_ASKED = 2,
    YW_BELIEF_TABLE_STATE_ANSWERED = 3,
    YW_BELIEF_TABLE_STATE_CLAIMING = 4,
    YW_BELIEF_TABLE_STATE_OWNED = 5,
    YW_BELIEF_TABLE_STATE_DOUBTED = 6,
    YW_BELIEF_TABLE_STATE_REPLACED = 7
};
enum yw_belief_table_event {
    YW_BELIEF_TABLE_EVENT_MESSAGE = 0,
    YW_BELIEF_TABLE_EVENT_ASK = 1,
    YW_BELIEF_TABLE_EVENT_ANSWER = 2,
    YW_BELIEF_TABLE_EVENT_REPEAT_TIME = 3,
    YW_BELIEF_TABLE_EVENT_CLAIM = 4,
    YW_BELIEF_TABLE_EVENT_CLAIM_REPORT = 5,
    YW_BELIEF_TABLE_EVENT_HIGHER_MARK = 6,
    YW_BELIEF_TABLE_EVENT_NEW_BOOT = 7,
    YW_BELIEF_TABLE_EVENT_OFF = 8,
    YW_BELIEF_TABLE_EVENT_SILENCE = 9
};
enum yw_belief_table_guard {
    YW_BELIEF_TABLE_GUARD_ALWAYS = 0,
    YW_BELIEF_TABLE_GUARD_TOKEN_IS_OURS = 1,
    YW_BELIEF_TABLE_GUARD_STATE_IS_MISSING = 2,
    YW_BELIEF_TABLE_GUARD_TOKEN_IS_OTHER = 3,
    YW_BELIEF_TABLE_GUARD_CLAIMANT_IS_OTHER = 4,
    YW_BELIEF_TABLE_GUARD_MARK_IS_CLAIM = 5,
    YW_BELIEF_TABLE_GUARD_MARK_IS_LOWER = 6,
    YW_BELIEF_TABLE_GUARD_MARK_IS_HIGHER = 7,
    YW_BELIEF_TABLE_GUARD_BOOT_IS_SAME = 8,
    YW_BELIEF_TABLE_GUARD_OWNED_BEFORE = 9,
    YW_BELIEF_TABLE_GUARD_ORDERS_USED_UP = 10,
    YW_BELIEF_TABLE_GUARD_JOB_GIVEN_UP = 11,
    YW_BELIEF_TABLE_GUARD_BOOT_IS_UNPROVEN = 12,
    YW_BELIEF_TABLE_GUARD_WORD_IS_OLD = 13,
    YW_BELIEF_TABLE_GUARD_BOOT_IS_PROVEN = 14
};
enum yw_belief_table_sends {
    YW_BELIEF_TABLE_SENDS_ASK = 1,
    YW_BELIEF_TABLE_SENDS_CLAIM = 2
};
#define YW_BELIEF_TABLE_INITIAL 0
static const struct yw_transition yw_belief_table[] YW_FLASH = {
    {0, 0, 0, 1, 0},
    {1, 0, 0, 1, 0},
    {0, 1, 0, 2, 1},
    {1, 1, 0, 2, 1},
    {2, 2, 1, 3, 0},
    {2, 2, 2, 2, 0},
    {2, 2, 3, 2, 0},
    {2, 3, 0, 2, 1},
    {3, 4, 0, 4, 2},
    {4, 5, 4, 2, 1},
    {4, 5, 5, 5, 0},
    {4, 5, 6, 4, 0},
    {4, 5, 7, 2, 1},
    {4, 3, 0, 4, 2},
    {5, 0, 8, 5, 0},
    {5, 6, 0, 7, 0},
    {4, 6, 9, 7, 0},
    {5, 4, 10, 4, 2},
    {5, 4, 11, 4, 2},
    {3, 7, 0, 2, 1},
    {4, 7, 0, 2, 1},
    {5, 7, 12, 6, 1},
    {5, 7, 0, 2, 1},
    {2, 7, 12, 2, 0},
    {2, 7, 0, 2, 1},
    {5, 8, 0, 5, 0},
    {3, 9, 13, 2, 1},
    {4, 9, 13, 2, 1},
    {5, 9, 13, 6, 1},
    {5, 9, 0, 5, 0},
    {6, 2, 1, 5, 0},
    {6, 2, 2, 6, 0},
    {6, 2, 3, 6, 0},
    {6, 3, 0, 6, 1},
    {6, 7, 12, 6, 0},
    {6, 7, 14, 2, 1},
    {6, 6, 0, 7, 0}
};

/* Job, seen by its supervisor */
enum yw_order_sent_table_state {
    YW_ORDER_SENT_TABLE_STATE_OPEN = 0,
    YW_ORDER_SENT_TABLE_STATE_ACCEPTED = 1,
    YW_ORDER_SENT_TABLE_STATE_RUNNING = 2,
    YW_ORDER_SENT_TABLE_STATE_DONE = 3,
    YW_ORDER_SENT_TABLE_STATE_FAILED = 4,
    YW_ORDER_SENT_TABLE_STATE_CANCELLED = 5,
    YW_ORDER_SENT_TABLE_STATE_REFUSED = 6,
    YW_ORDER_SENT_TABLE_STATE_UNKNOWN = 7
};
enum yw_order_sent_table_event {
    YW_ORDER_SENT_TABLE_EVENT_REPEAT_TIME = 0,
    YW_ORDER_SENT_TABLE_EVENT_ACCEPTED = 1,
    YW_ORDER_SENT_TABLE_EVENT_RUNNING = 2,
    YW_ORDER_SENT_TABLE_EVENT_DONE = 3,
    YW_ORDER_SENT_TABLE_EVENT_FAILED = 4,
    YW_ORDER_SENT_TABLE_EVENT_CANCELLED = 5,
    YW_ORDER_SENT_TABLE_EVENT_REFUSED = 6,
    YW_ORDER_SENT_TABLE_EVENT_NEW_BOOT = 7,
    YW_ORDER_SENT_TABLE_EVENT_GIVEN_UP = 8,
    YW_ORDER_SENT_TABLE_EVENT_WITHDRAWN = 9
};
enum yw_order_sent_table_guard {
    YW_ORDER_SENT_TABLE_GUARD_ALWAYS = 0,
    YW_ORDER_SENT_TABLE_GUARD_NOTHING_MOVED = 1,
    YW_ORDER_SENT_TABLE_GUARD_OUTCOME_OPEN = 2,
    YW_ORDER_SENT_TABLE_GUARD_NEWER_CLAIM_ANSWERED = 3
};
enum yw_order_sent_table_sends {
    YW_ORDER_SENT_TABLE_SENDS_ORDER = 1
};
#define YW_ORDER_SENT_TABLE_INITIAL 0
static const struct yw_transition yw_order_sent_table[] YW_FLASH = {
    {0, 0, 0, 0, 1},
    {1, 0, 0, 1, 1},
    {2, 0, 0, 2, 1},
    {0, 1, 0, 1, 0},
    {0, 2, 0, 2, 0},
    {0, 3, 0, 3, 0},
    {0, 4, 0, 4, 0},
    {0, 5, 0, 5, 0},
    {0, 6, 1, 6, 0},
    {0, 6, 2, 7, 0},
    {1, 2, 0, 2, 0},
    {1, 1, 0, 1, 0},
    {1, 3, 0, 3, 0},
    {1, 4, 0, 4, 0},
    {1, 5, 0, 5, 0},
    {1, 6, 2, 7, 0},
    {2, 2, 0, 2, 0},
    {2, 3, 0, 3, 0},
    {2, 4, 0, 4, 0},
    {2, 5, 0, 5, 0},
    {2, 6, 2, 7, 0},
    {0, 7, 0, 7, 0},
    {1, 7, 0, 7, 0},
    {2, 7, 0, 7, 0},
    {0, 8, 3, 7, 0},
    {1, 8, 3, 7, 0},
    {2, 8, 3, 7, 0},
    {0, 9, 0, 7, 0},
    {1, 9, 0, 7, 0},
    {2, 9, 0, 7, 0}
};

/* The checks of an order, in their order: the first that holds decides. */
enum yw_check {
    YW_CHECK_UNREADABLE = 0,
    YW_CHECK_ASK = 1,
    YW_CHECK_HOLD = 2,
    YW_CHECK_OTHER_BOOT = 3,
    YW_CHECK_CLAIM = 4,
    YW_CHECK_REPEAT_OF_JOB = 5,
    YW_CHECK_CANCEL_OF_JOB = 6,
    YW_CHECK_AT_OR_BELOW_MARK = 7,
    YW_CHECK_RAISE_MARK = 8,
    YW_CHECK_CANCEL_OF_LATER = 9,
    YW_CHECK_CANCEL_OF_UNSEEN = 10,
    YW_CHECK_CANCEL_OF_FORGOTTEN = 11,
    YW_CHECK_UNSUPPORTED = 12,
    YW_CHECK_NOT_ON_BENCH = 13,
    YW_CHECK_HOLDS_MOVED_ON = 14,
    YW_CHECK_FAULTS_MOVED_ON = 15,
    YW_CHECK_FINDING_UNFIT = 16,
    YW_CHECK_PAST_DEADLINE = 17,
    YW_CHECK_JOB_OPEN = 18,
    YW_CHECK_IS_HELD = 19,
    YW_CHECK_MODE_FORBIDS = 20,
    YW_CHECK_STATE_FORBIDS = 21,
    YW_CHECK_LOAD_FORBIDS = 22,
    YW_CHECK_PLACE_UNKNOWN = 23,
    YW_CHECK_OUTSIDE_TABLE = 24,
    YW_CHECK_OUT_OF_REACH = 25,
    YW_CHECK_FIT = 26
};
#endif

#endif
