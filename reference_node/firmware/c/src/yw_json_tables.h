/* The names and words that JSON carries, for boards that are built with YW_JSON. Each list ends with an empty word.
 * Made from the specification by `python -m conformance.publish.firmware`; do not edit. */

/* A field of what a node says: its CBOR key, its name, and its words where it has any. */
struct yw_json_field {
    const char *name, *words;
    uint8_t key;
};

/* The longest that an order becomes in CBOR. */
#define YW_JSON_ORDER_ROOM 108

/* The fields of an order, in the order of their CBOR keys. */
static const char yw_json_names[] YW_FLASH = "boot\0id\0act\0deadline\0from\0from_slot\0to\0to_slot\0box\0reading\0arrival\0berth_boot\0stop\0shuttle_boot\0target\0ref\0token\0faults\0found\0place\0inputs\0holds\0uptime\0train\0";

static const char yw_words_0[] YW_FLASH = "on\0off\0";
static const char yw_words_1[] YW_FLASH = "crane\0berth\0shuttle\0supervisor\0";
static const char yw_words_2[] YW_FLASH = "json\0cbor\0both\0";
static const char yw_words_3[] YW_FLASH = "power-on\0watchdog\0brown-out\0software\0external\0unknown\0";
static const char yw_words_4[] YW_FLASH = "accepted\0running\0done\0failed\0cancelled\0refused\0";
static const char yw_words_5[] YW_FLASH = "unhomed\0homing\0ready\0working\0faulted\0manual\0";
static const char yw_words_6[] YW_FLASH = "open\0closed\0moving\0unsure\0";
static const char yw_words_7[] YW_FLASH = "none\0box\0unsure\0";
static const char yw_words_8[] YW_FLASH = "empty\0admitting\0armed\0at-rest\0leaving\0lost\0";
static const char yw_words_9[] YW_FLASH = "moving\0at-place\0lost\0";
static const char yw_words_10[] YW_FLASH = "bad-message\0load-unsure\0boot-lost\0memory-low\0home-missed\0axis-stuck\0pick-missed\0drop-failed\0power-lost\0not-armed\0end-missed\0train-stuck\0stop-missed\0input-lost\0";
static const char yw_words_11[] YW_FLASH = "warn\0halt\0";
static const char yw_words_12[] YW_FLASH = "ask\0claim\0hold\0resume\0cancel\0reset-fault\0transfer\0home\0park\0jog\0admit\0depart\0run\0stimulus\0set-uptime\0";
static const char yw_words_13[] YW_FLASH = "homing\0travel-to-pick\0lower-to-pick\0grip\0lift\0travel-to-drop\0lower-to-drop\0release\0clear\0travel\0approach\0arming-passed\0coasting\0leaving\0";
static const char yw_words_14[] YW_FLASH = "wrong-boot\0stale\0late\0busy\0held\0mode\0load\0place\0reach\0outside-table\0state\0not-bench\0holds-count\0fault-count\0too-late\0fault\0unsupported\0nothing-found\0";
static const char yw_words_15[] YW_FLASH = "none\0box\0";
static const char yw_words_16[] YW_FLASH = "arming\0end\0home-x\0home-y\0home-z\0load\0motor-power\0stop-1\0stop-2\0stop-3\0stop-4\0";

/* The words of each field of an order, where it has any. */
static const char *yw_json_words_of(uint8_t key)
{
    switch (key) {
    case YW_KEY_JOB_ORDER_ACT:
        return yw_words_12;
    case YW_KEY_JOB_ORDER_FOUND:
        return yw_words_15;
    case YW_KEY_JOB_ORDER_INPUTS:
        return yw_words_16;
    default:
        return NULL;
    }
}

static const char yw_name_act[] YW_FLASH = "act";
static const char yw_name_active[] YW_FLASH = "active";
static const char yw_name_arm_to_end[] YW_FLASH = "arm_to_end";
static const char yw_name_arrival[] YW_FLASH = "arrival";
static const char yw_name_axes[] YW_FLASH = "axes";
static const char yw_name_bench[] YW_FLASH = "bench";
static const char yw_name_boot[] YW_FLASH = "boot";
static const char yw_name_box[] YW_FLASH = "box";
static const char yw_name_buffer[] YW_FLASH = "buffer";
static const char yw_name_changed[] YW_FLASH = "changed";
static const char yw_name_claimant[] YW_FLASH = "claimant";
static const char yw_name_digest[] YW_FLASH = "digest";
static const char yw_name_faults[] YW_FLASH = "faults";
static const char yw_name_firmware[] YW_FLASH = "firmware";
static const char yw_name_held[] YW_FLASH = "held";
static const char yw_name_holds[] YW_FLASH = "holds";
static const char yw_name_id[] YW_FLASH = "id";
static const char yw_name_ignored[] YW_FLASH = "ignored";
static const char yw_name_inputs[] YW_FLASH = "inputs";
static const char yw_name_job[] YW_FLASH = "job";
static const char yw_name_job_state[] YW_FLASH = "job_state";
static const char yw_name_level[] YW_FLASH = "level";
static const char yw_name_link[] YW_FLASH = "link";
static const char yw_name_load[] YW_FLASH = "load";
static const char yw_name_mark[] YW_FLASH = "mark";
static const char yw_name_memory[] YW_FLASH = "memory";
static const char yw_name_minor[] YW_FLASH = "minor";
static const char yw_name_mode[] YW_FLASH = "mode";
static const char yw_name_order_boot[] YW_FLASH = "order_boot";
static const char yw_name_part[] YW_FLASH = "part";
static const char yw_name_place[] YW_FLASH = "place";
static const char yw_name_reading[] YW_FLASH = "reading";
static const char yw_name_reads[] YW_FLASH = "reads";
static const char yw_name_reason[] YW_FLASH = "reason";
static const char yw_name_reset[] YW_FLASH = "reset";
static const char yw_name_roles[] YW_FLASH = "roles";
static const char yw_name_seq[] YW_FLASH = "seq";
static const char yw_name_spreader[] YW_FLASH = "spreader";
static const char yw_name_starts[] YW_FLASH = "starts";
static const char yw_name_state[] YW_FLASH = "state";
static const char yw_name_step[] YW_FLASH = "step";
static const char yw_name_stop[] YW_FLASH = "stop";
static const char yw_name_token[] YW_FLASH = "token";
static const char yw_name_train[] YW_FLASH = "train";
static const char yw_name_uptime[] YW_FLASH = "uptime";

static const struct yw_json_field yw_json_node_status[16] YW_FLASH = {
    {yw_name_boot, NULL, 0},
    {yw_name_seq, NULL, 1},
    {yw_name_uptime, NULL, 2},
    {yw_name_mark, NULL, 3},
    {yw_name_starts, NULL, 8},
    {yw_name_state, yw_words_0, 9},
    {yw_name_link, NULL, 10},
    {yw_name_roles, yw_words_1, 11},
    {yw_name_firmware, NULL, 12},
    {yw_name_minor, NULL, 13},
    {yw_name_reads, yw_words_2, 14},
    {yw_name_reset, yw_words_3, 15},
    {yw_name_bench, NULL, 16},
    {yw_name_digest, NULL, 17},
    {yw_name_buffer, NULL, 18},
    {yw_name_memory, NULL, 19},
};

#if YW_ROLE == YW_ROLE_IS_CRANE
static const struct yw_json_field yw_json_role[13] YW_FLASH = {
    {yw_name_boot, NULL, 0},
    {yw_name_seq, NULL, 1},
    {yw_name_uptime, NULL, 2},
    {yw_name_mark, NULL, 3},
    {yw_name_job, NULL, 4},
    {yw_name_job_state, yw_words_4, 5},
    {yw_name_held, NULL, 6},
    {yw_name_holds, NULL, 7},
    {yw_name_inputs, NULL, 8},
    {yw_name_mode, yw_words_5, 9},
    {yw_name_axes, NULL, 10},
    {yw_name_spreader, yw_words_6, 11},
    {yw_name_load, yw_words_7, 12},
};
#endif

#if YW_ROLE == YW_ROLE_IS_BERTH
static const struct yw_json_field yw_json_role[15] YW_FLASH = {
    {yw_name_boot, NULL, 0},
    {yw_name_seq, NULL, 1},
    {yw_name_uptime, NULL, 2},
    {yw_name_mark, NULL, 3},
    {yw_name_job, NULL, 4},
    {yw_name_job_state, yw_words_4, 5},
    {yw_name_held, NULL, 6},
    {yw_name_holds, NULL, 7},
    {yw_name_inputs, NULL, 8},
    {yw_name_state, yw_words_8, 9},
    {yw_name_arrival, NULL, 10},
    {yw_name_reading, NULL, 11},
    {yw_name_ignored, NULL, 12},
    {yw_name_arm_to_end, NULL, 13},
    {yw_name_train, NULL, 14},
};
#endif

#if YW_ROLE == YW_ROLE_IS_SHUTTLE
static const struct yw_json_field yw_json_role[13] YW_FLASH = {
    {yw_name_boot, NULL, 0},
    {yw_name_seq, NULL, 1},
    {yw_name_uptime, NULL, 2},
    {yw_name_mark, NULL, 3},
    {yw_name_job, NULL, 4},
    {yw_name_job_state, yw_words_4, 5},
    {yw_name_held, NULL, 6},
    {yw_name_holds, NULL, 7},
    {yw_name_inputs, NULL, 8},
    {yw_name_state, yw_words_9, 9},
    {yw_name_place, NULL, 10},
    {yw_name_stop, NULL, 11},
    {yw_name_load, yw_words_7, 12},
};
#endif

static const struct yw_json_field yw_json_fault[9] YW_FLASH = {
    {yw_name_boot, NULL, 0},
    {yw_name_seq, NULL, 1},
    {yw_name_uptime, NULL, 2},
    {yw_name_job, NULL, 4},
    {yw_name_active, yw_words_10, 9},
    {yw_name_changed, yw_words_10, 10},
    {yw_name_level, yw_words_11, 11},
    {yw_name_part, NULL, 12},
    {yw_name_faults, NULL, 13},
};

static const struct yw_json_field yw_json_job_report[14] YW_FLASH = {
    {yw_name_boot, NULL, 0},
    {yw_name_seq, NULL, 1},
    {yw_name_uptime, NULL, 2},
    {yw_name_mark, NULL, 3},
    {yw_name_id, NULL, 4},
    {yw_name_state, yw_words_4, 5},
    {yw_name_order_boot, NULL, 6},
    {yw_name_token, NULL, 7},
    {yw_name_act, yw_words_12, 9},
    {yw_name_step, yw_words_13, 10},
    {yw_name_reason, yw_words_14, 11},
    {yw_name_box, NULL, 12},
    {yw_name_load, yw_words_7, 13},
    {yw_name_claimant, NULL, 14},
};
