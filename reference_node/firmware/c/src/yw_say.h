/* What a node says, in CBOR encoded deterministically: shortest integers, keys in order [ENC-02]. */
#ifndef YW_SAY_H
#define YW_SAY_H

enum {YW_PAYLOAD_ROOM = YW_SIZE_NODE_STATUS_CBOR};
typedef char yw_room_for_a_crane[YW_SIZE_CRANE_STATUS_CBOR <= YW_PAYLOAD_ROOM ? 1 : -1];
typedef char yw_room_for_a_berth[YW_SIZE_TRAIN_ARRIVAL_CBOR <= YW_PAYLOAD_ROOM ? 1 : -1];
typedef char yw_room_for_a_shuttle[YW_SIZE_SHUTTLE_STATUS_CBOR <= YW_PAYLOAD_ROOM ? 1 : -1];
typedef char yw_room_for_a_fault[YW_SIZE_FAULT_CBOR <= YW_PAYLOAD_ROOM ? 1 : -1];
typedef char yw_room_for_a_report[YW_SIZE_JOB_REPORT_CBOR <= YW_PAYLOAD_ROOM ? 1 : -1];

/* A report: on an order, or on the job. */
struct yw_report {
    uint32_t number; /* id, or with has_token the token of an ask */
    uint16_t order_boot;
    uint8_t act, state, reason;
    bool has_token, of_job;
};

static uint8_t *yw_payload, *yw_end; /* of the message that is being written */

static void yw_put(uint8_t byte)
{
    *yw_end++ = byte;
}

static void yw_put_head(uint8_t major, uint32_t value)
{
    uint8_t bytes = value > UINT16_MAX ? 4 : value > UINT8_MAX ? 2 : value >= 24;
    uint8_t first = bytes == 4 ? 26 : bytes ? (uint8_t)(23 + bytes) : (uint8_t)value;
    yw_put((uint8_t)(major << 5 | first));
    while (bytes) {
        yw_put(yw_byte(value, --bytes));
    }
}

#if YW_ROLE != YW_ROLE_IS_SHUTTLE
static void yw_put_signed(int16_t value)
{
    yw_put_head(value < 0, (uint16_t)(value < 0 ? ~value : value));
}
#endif

static YW_APART void yw_put_bool(bool value)
{
    yw_put(value ? YW_TRUE : YW_FALSE);
}

static void yw_put_key(uint8_t key)
{
    ++*yw_payload;
    yw_put(key);
}

/* One function for each width: on a small board a number of 32 bits costs at every call. */
static void yw_put_32(uint8_t key, uint32_t value)
{
    yw_put_key(key);
    yw_put_head(YW_UNSIGNED, value);
}

static void yw_put_16(uint8_t key, uint16_t value)
{
    yw_put_32(key, value);
}

static void yw_put_8(uint8_t key, uint8_t value)
{
    yw_put_32(key, value);
}

static void yw_put_truth(uint8_t key, bool value)
{
    yw_put_key(key);
    yw_put_bool(value);
}

static void yw_put_text(uint8_t key, const char *text, uint8_t length)
{
    yw_put_key(key);
    yw_put_head(YW_TEXT, length);
    memcpy(yw_end, text, length);
    yw_end += length;
}

/* A text that ends with a NUL, in flash. */
static void yw_put_flash(uint8_t key, const char *text)
{
    yw_put_key(key);
    uint8_t *head = yw_end++;
    for (char letter; (letter = (char)yw_flash_8(text)) != 0; ++text) {
        yw_put((uint8_t)letter);
    }
    *head = (uint8_t)(YW_TEXT << 5 | (yw_end - head - 1));
}

static void yw_open(uint8_t *payload)
{
    yw_payload = payload;
    yw_end = payload + 1;
    *payload = YW_MAP << 5;
    yw_put_16(YW_KEY_NODE_STATUS_BOOT, yw.boot);
}

#if defined(YW_JSON)
static bool yw_speak(uint8_t message, const uint8_t *payload, uint8_t length);
static yw_length yw_json_of(uint8_t message, const uint8_t *payload, uint8_t length, uint8_t *json);
#define YW_SPOKEN YW_READS
#else
#define yw_speak yw_send
#define YW_SPOKEN YW_NODE_STATUS_READS_CBOR
#endif

static void yw_role_body(void);
static uint8_t yw_role_load(void);
static bool yw_job_open(void);

static void yw_put_node(void)
{
    static const char firmware[] YW_FLASH = YW_FIRMWARE;
    if (yw_flag.bench) {
        yw_put_16(YW_KEY_NODE_STATUS_STARTS, yw.starts);
    }
    yw_put_8(YW_KEY_NODE_STATUS_STATE, YW_NODE_STATUS_STATE_ON);
    yw_put_16(YW_KEY_NODE_STATUS_LINK, yw.link);
    yw_put_key(YW_KEY_NODE_STATUS_ROLES);
    yw_put_head(YW_ARRAY, 1);
    yw_put(YW_ROLE);
    yw_put_flash(YW_KEY_NODE_STATUS_FIRMWARE, firmware);
    yw_put_8(YW_KEY_NODE_STATUS_MINOR, YW_MINOR);
    yw_put_8(YW_KEY_NODE_STATUS_READS, YW_SPOKEN);
    yw_put_8(YW_KEY_NODE_STATUS_RESET, yw.reset);
    yw_put_truth(YW_KEY_NODE_STATUS_BENCH, yw_flag.bench);
    yw_put_32(YW_KEY_NODE_STATUS_DIGEST, YW_DIGEST);
    yw_put_16(YW_KEY_NODE_STATUS_BUFFER, YW_BUFFER);
}

/* What the state of every role says first; the keys are the same in all three. */
static void yw_put_role(void)
{
    if (yw.job.id) {
        yw_put_32(YW_KEY_CRANE_STATUS_JOB, yw.job.id);
        yw_put_8(YW_KEY_CRANE_STATUS_JOB_STATE, yw.job.state);
    }
    yw_put_truth(YW_KEY_CRANE_STATUS_HELD, yw_flag.held);
    yw_put_16(YW_KEY_CRANE_STATUS_HOLDS, yw.holds);
    yw_put_16(YW_KEY_CRANE_STATUS_INPUTS, yw.level & (YW_BIT(YW_INPUT_LINES) - 1U));
    yw_role_body();
}

static bool yw_is_halt(uint8_t code)
{
    return yw_is_in(YW_HALT_CODES, code);
}

static void yw_put_fault(void)
{
    if (yw.fault_job) {
        yw_put_32(YW_KEY_FAULT_JOB, yw.fault_job);
    }
    yw_put_key(YW_KEY_FAULT_ACTIVE);
    uint8_t *head = yw_end++;
    *head = YW_ARRAY << 5;
    for (uint8_t code = 0; code < YW_FAULT_CODES; ++code) {
        if (yw_is_in(yw.active, code)) {
            ++*head;
            yw_put(code);
        }
    }
    if (yw.changed_fault != YW_NO_WORD) {
        yw_put_8(YW_KEY_FAULT_CHANGED, yw.changed_fault);
        yw_put_8(YW_KEY_FAULT_LEVEL, yw_is_halt(yw.changed_fault) ? YW_LEVEL_HALT : YW_LEVEL_WARN);
        if (yw.part) {
            yw_put_flash(YW_KEY_FAULT_PART, yw.part);
        }
    }
    yw_put_16(YW_KEY_FAULT_FAULTS, yw.faults);
}

static void yw_put_report(const struct yw_report *report)
{
    if (!report->has_token) {
        yw_put_32(YW_KEY_JOB_REPORT_ID, report->number);
    }
    yw_put_8(YW_KEY_JOB_REPORT_STATE, report->state);
    if (report->has_token) {
        yw_put_32(YW_KEY_JOB_REPORT_TOKEN, report->number);
    } else {
        yw_put_16(YW_KEY_JOB_REPORT_ORDER_BOOT, report->order_boot);
    }
    yw_put_8(YW_KEY_JOB_REPORT_ACT, report->act);
    if (report->of_job && yw_job_open() && yw.job.step != YW_NO_WORD) {
        yw_put_8(YW_KEY_JOB_REPORT_STEP, yw.job.step);
    }
    if (report->reason != YW_NO_WORD) {
        yw_put_8(YW_KEY_JOB_REPORT_REASON, report->reason);
    }
    if (report->of_job) {
        if (yw.job.box_length) {
            yw_put_text(YW_KEY_JOB_REPORT_BOX, yw.job.box, yw.job.box_length);
        }
        if (YW_ROLE != YW_ROLE_BERTH) {
            yw_put_8(YW_KEY_JOB_REPORT_LOAD, yw_role_load());
        }
    } else if (report->act == YW_ACT_CLAIM && report->state == YW_JOB_STATE_DONE && yw_flag.has_claimant) {
        yw_put_32(YW_KEY_JOB_REPORT_CLAIMANT, yw.claimant);
    }
}

/* Publishes one message in its envelope; what was not sent is not counted [MSG-07]. */
static void yw_say(uint8_t message, const struct yw_report *report)
{
    uint8_t payload[YW_PAYLOAD_ROOM];
    if (message < YW_SAY_REPORT) {
        yw_untold &= (uint8_t)~yw_bit(message);
        yw.said_ms[message] = (uint16_t)yw.now_ms;
    }
    if (!yw_flag.online) {
        return;
    }
    yw_open(payload);
    yw_put_16(YW_KEY_NODE_STATUS_SEQ, yw.seq[message]);
    yw_put_32(YW_KEY_NODE_STATUS_UPTIME, yw_uptime());
    if (message != YW_SAY_FAULT) {
        yw_put_32(YW_KEY_NODE_STATUS_MARK, yw.mark);
    }
    switch (message) {
    case YW_SAY_NODE:
        yw_put_node();
        break;
    case YW_SAY_ROLE:
        yw_put_role();
        break;
    case YW_SAY_FAULT:
        yw_put_fault();
        break;
    default:
        if (report) {
            yw_put_report(report);
        }
    }
    if (yw_speak(message, payload, (uint8_t)(yw_end - payload))) {
        ++yw.seq[message];
    }
    yw_payload = yw_end = NULL;
}

/* Says each state that has changed. */
static void yw_tell_changes(void)
{
    for (uint8_t message = 0; message < YW_SAY_REPORT; ++message) {
        if (yw_is_in(yw_untold, message)) {
            yw_say(message, NULL);
        }
    }
}

static void yw_tell_all(void)
{
    yw_untold = YW_BIT(YW_SAY_REPORT) - 1U;
    yw_tell_changes();
}

static uint8_t yw_put_off(uint8_t *payload, uint16_t link)
{
    yw_open(payload);
    yw_put_8(YW_KEY_NODE_STATUS_STATE, YW_NODE_STATUS_STATE_OFF);
    yw_put_16(YW_KEY_NODE_STATUS_LINK, link);
    uint8_t length = (uint8_t)(yw_end - payload);
#if defined(YW_JSON)
    if (YW_WRITES_JSON) {
        uint8_t json[YW_WILL_ROOM];
        length = (uint8_t)yw_json_of(YW_SAY_NODE, payload, length, json);
        memcpy(payload, json, length);
    }
#endif
    return length;
}

#endif
