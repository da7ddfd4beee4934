/* The life of a node: time passes, orders come, connections come and go. */
#ifndef YW_LOOP_H
#define YW_LOOP_H

enum {YW_EARLY_MS = 100, YW_PROGRESS_MS = 500}; /* heartbeats go out early; who moves says more often where it is */

/* Nobody knows any more where anything is [FLT-06]. */
static void yw_power_lost(void)
{
    yw_role_power_lost();
    yw_halt(YW_FAULT_CODE_POWER_LOST, NULL);
}

/* What has not started by its deadline never starts, held or not [ORD-23]. */
static void yw_end_late_job(void)
{
    if (yw.job.state == YW_JOB_STATE_ACCEPTED && (int32_t)(yw_uptime() - yw.job.deadline) > 0) {
        yw.job.reason = YW_REASON_LATE;
        yw_job_is(YW_JOB_STATE_FAILED);
        yw_role_cancel();
        yw_report_job();
    }
}

static void yw_run_role(void)
{
    while (yw_role_tick()) {
        yw_tell_changes();
    }
    yw_tell_changes();
}

static void yw_step_to(uint32_t now_ms)
{
    yw.now_ms = now_ms;
    yw_settle();
    yw_end_late_job();
    yw_run_role();
}

/* Brings everything forward to now, one input of a tester after the other. */
static void yw_pass_time(void)
{
    uint32_t now_ms = yw_clock_ms();
    while (yw.played_count && now_ms - yw.played_ms >= yw.played[0].wait_ms) {
        uint8_t what = yw.played[0].what;
        yw.played_ms += yw.played[0].wait_ms;
        --yw.played_count;
        memmove(&yw.played[0], &yw.played[1], yw.played_count * sizeof yw.played[0]);
        if ((int32_t)(yw.played_ms - yw.now_ms) > 0) {
            yw_step_to(yw.played_ms);
        }
        yw_feel(what & 0x7F, what >> 7);
    }
    if (!yw_flag.bench) {
        yw.now_ms = now_ms;
        yw_read_pins();
    }
    yw_step_to(now_ms);
}

/* At most one fault in `bad_message_gap`, whatever comes [ENC-11]. */
static void yw_raise_bad_message(void)
{
    uint16_t now_ms = (uint16_t)yw.now_ms;
    if (yw_flag.bad_lately && (uint16_t)(now_ms - yw.bad_ms) >= YW_BAD_MESSAGE_GAP_MS_LEAST) {
        yw_flag.bad_lately = false;
    }
    if (yw_flag.bad_waits && !yw_flag.bad_lately) {
        yw_flag.bad_waits = false;
        yw_flag.bad_lately = true;
        yw.bad_ms = now_ms;
        yw_warn(YW_FAULT_CODE_BAD_MESSAGE);
    }
}

static void yw_beat(void)
{
    for (uint8_t message = 0; message < YW_SAY_REPORT; ++message) {
        uint16_t gap_ms = YW_STATE_REPEAT_MS_MOST - YW_EARLY_MS;
        if (message == YW_SAY_NODE) {
            gap_ms = YW_STATUS_REPEAT_MS_MOST - YW_EARLY_MS;
        } else if (message == YW_SAY_ROLE && yw_moving()) {
            gap_ms = YW_PROGRESS_MS;
        }
        if ((uint16_t)((uint16_t)yw.now_ms - yw.said_ms[message]) >= gap_ms) {
            yw_say(message, NULL);
        }
    }
}

static void yw_start_job(void)
{
    if (yw.job.state == YW_JOB_STATE_ACCEPTED && !yw_flag.held) {
        yw_tell_changes();
        yw_job_is(YW_JOB_STATE_RUNNING);
        yw_role_begin();
        yw_run_role();
    }
}

void yw_start(const struct yw_how *how)
{
    memset(&yw, 0, sizeof yw);
    yw_untold = 0;
    yw.job.state = YW_JOB_STATE_DONE; /* there is none */
    yw_flag = (struct yw_flags){.bench = how->bench};
    yw.now_ms = yw_clock_ms();
    yw.boot = how->boot;
    yw.reset = how->reset;
    yw_state = YW_INITIAL;
    yw.changed_fault = YW_NO_WORD;
    yw_flag.power = yw_flag.bench;
    if (!yw_flag.bench) {
        yw_read_pins(); /* power that is not there is no loss of power before anything is known */
        yw.level = yw.raw;
    }
    yw_role_start();
    if (how->boot_lost) {
        yw_warn(YW_FAULT_CODE_BOOT_LOST);
    }
    if (!yw_flag.power) {
        yw_power_lost();
    }
}

uint8_t yw_will(uint8_t *payload)
{
    return yw_put_off(payload, (uint16_t)(yw.link + 1U));
}

uint8_t yw_parting(uint8_t *payload)
{
    return yw_put_off(payload, yw.link);
}

void yw_connected(void)
{
    yw_pass_time();
    ++yw.link;
    yw_flag.online = true;
    yw_tell_all();
}

void yw_disconnected(void)
{
    yw_flag.online = false;
}

/* How an order came. */
enum {YW_TO_THIS, YW_TO_ALL, YW_OFF_THE_BUS};

static void yw_take_order(struct yw_reader reader, uint8_t how)
{
    struct yw_order order;
    yw_pass_time();
    bool is_order = yw_read_order(&order, reader);
    if (is_order && (how == YW_TO_THIS || yw_act(&order) == YW_ACT_HOLD)) { /* [HLD-07] */
        yw_handle(&order);
    } else if (how != YW_OFF_THE_BUS) {
        yw_flag.bad_waits = true; /* [ENC-10] */
    }
    yw_tell_changes();
    yw_raise_bad_message();
}

void yw_receive(const uint8_t *payload, uint16_t length, bool to_all)
{
    /* What is longer than the buffer that the node names cannot be read [ENC-08]. */
    const struct yw_reader reader = {payload, (yw_size)(length > YW_SIZE_MOST ? 0 : length)};
#if defined(YW_JSON)
    uint8_t room[YW_JSON_ORDER_ROOM];
    yw_take_order(yw_order_in_cbor(reader, room), to_all ? YW_TO_ALL : YW_TO_THIS);
#else
    yw_take_order(reader, to_all ? YW_TO_ALL : YW_TO_THIS);
#endif
}

void yw_tick(void)
{
    yw_pass_time();
    yw_start_job();
    yw_raise_bad_message();
    yw_beat();
}

#endif
