/* The checks of an order in their order, and a drive of a simulated shuttle. */
#include "shuttle.h"

#include <string.h>

#include "order.h"
#include "say.h"
#include "yardwire.h"

enum { DRIVE_MS = 400, BAD_MESSAGE_GAP_MS = YW_BAD_MESSAGE_GAP_MS_LEAST + 100 };

static bool serves(const char *place)
{
    return strcmp(place, "quay-n") == 0 || strcmp(place, "quay-s") == 0;
}

static bool job_is_open(const struct shuttle *shuttle)
{
    return shuttle->job && shuttle->job_state <= YW_JOB_STATE_RUNNING;
}

uint32_t shuttle_uptime(const struct shuttle *shuttle)
{
    return (uint32_t)(clock_ms() - shuttle->started_ms) + shuttle->uptime_at_start;
}

void shuttle_connected(struct shuttle *shuttle)
{
    ++shuttle->link;
    shuttle_repeat(shuttle);
}

void shuttle_repeat(struct shuttle *shuttle)
{
    say_node(shuttle);
    say_shuttle(shuttle);
    say_fault(shuttle);
}

static bool is_late(const struct shuttle *shuttle, uint32_t deadline)
{
#if defined(BUG_WRAP_COMPARED_WITH_LESS)
    return deadline < shuttle_uptime(shuttle);
#else
    return yw_left(deadline, shuttle_uptime(shuttle)) < 0;
#endif
}

static int run(struct shuttle *shuttle, const struct order *order)
{
    if (is_late(shuttle, order->number[YW_KEY_JOB_ORDER_DEADLINE])) {
        return YW_REASON_LATE;
    }
    if (job_is_open(shuttle)) {
        return YW_REASON_BUSY;
    }
    if (shuttle->held) {
        return YW_REASON_HELD;
    }
    if (shuttle->state != YW_SHUTTLE_STATUS_STATE_AT_PLACE) {
        return YW_REASON_STATE;
    }
    if (!serves(order->place)) {
        return YW_REASON_PLACE;
    }
    shuttle->job = order->number[YW_KEY_JOB_ORDER_ID];
    shuttle->job_boot = order->number[YW_KEY_JOB_ORDER_BOOT];
    shuttle->job_state = YW_JOB_STATE_ACCEPTED;
    strcpy(shuttle->target, order->place);
    return NO_REASON;
}

static int resume(struct shuttle *shuttle, const struct order *order)
{
    if (order->number[YW_KEY_JOB_ORDER_HOLDS] != shuttle->holds) {
        return YW_REASON_HOLDS_COUNT;
    }
    if (shuttle->held && shuttle->state == YW_SHUTTLE_STATUS_STATE_MOVING) {
        shuttle->due = shuttle_uptime(shuttle) + DRIVE_MS;
    }
    shuttle->held = false;
    return NO_REASON;
}

static int reset_fault(struct shuttle *shuttle, const struct order *order)
{
    if (order->number[YW_KEY_JOB_ORDER_FAULTS] != 0) {
        return YW_REASON_FAULT_COUNT;
    }
    int named = order_has(order, YW_KEY_JOB_ORDER_PLACE);
    if ((named || order_has(order, YW_KEY_JOB_ORDER_FOUND)) && !(named && serves(order->place))) {
        return YW_REASON_NOTHING_FOUND;
    }
    if (named && shuttle->state == YW_SHUTTLE_STATUS_STATE_LOST) {
        shuttle->state = YW_SHUTTLE_STATUS_STATE_AT_PLACE;
        strcpy(shuttle->place, order->place);
        ++shuttle->stop;
    }
    shuttle->bad_message = false;
    say_fault(shuttle);
    return NO_REASON;
}

static int obey(struct shuttle *shuttle, const struct order *order)
{
    switch (order->number[YW_KEY_JOB_ORDER_ACT]) {
    case YW_ACT_RUN:
        return run(shuttle, order);
    case YW_ACT_RESUME:
        return resume(shuttle, order);
    case YW_ACT_RESET_FAULT:
        return reset_fault(shuttle, order);
    case YW_ACT_STIMULUS:
    case YW_ACT_SET_UPTIME:
        return YW_REASON_NOT_BENCH;
    default:
        return YW_REASON_UNSUPPORTED;
    }
}

static void claim(struct shuttle *shuttle, const struct order *order, uint32_t id)
{
    if (id >= shuttle->mark) {
        shuttle->mark = id;
        say_answer(shuttle, order, id, YW_JOB_STATE_DONE, NO_REASON);
    } else {
        say_answer(shuttle, order, id, YW_JOB_STATE_REFUSED, YW_REASON_STALE);
    }
}

static void cancel_job(struct shuttle *shuttle, const struct order *order)
{
    int reason = NO_REASON;
    if (shuttle->job_state == YW_JOB_STATE_ACCEPTED) {
        shuttle->job_state = YW_JOB_STATE_CANCELLED;
    } else if (shuttle->job_state == YW_JOB_STATE_RUNNING) {
        reason = YW_REASON_TOO_LATE;
    }
    say_answer(shuttle, order, shuttle->job, shuttle->job_state, reason);
}

/* An order with an id, for this boot. */
static void owned(struct shuttle *shuttle, const struct order *order)
{
    const uint32_t id = order->number[YW_KEY_JOB_ORDER_ID], ref = order->number[YW_KEY_JOB_ORDER_REF];
    const uint32_t act = order->number[YW_KEY_JOB_ORDER_ACT];
    if (act == YW_ACT_CLAIM) {
        claim(shuttle, order, id);
    } else if (shuttle->job && id == shuttle->job) {
        say_answer(shuttle, order, id, shuttle->job_state, NO_REASON); /* [ORD-06] */
    } else if (act == YW_ACT_CANCEL && shuttle->job && ref == shuttle->job) {
        cancel_job(shuttle, order);
    } else if (id <= shuttle->mark) {
        say_answer(shuttle, order, act == YW_ACT_CANCEL ? ref : id, YW_JOB_STATE_REFUSED, YW_REASON_STALE);
    } else if (act == YW_ACT_CANCEL) {
        bool unseen = ref > shuttle->mark;
        shuttle->mark = id;
        say_answer(shuttle, order, ref, unseen ? YW_JOB_STATE_CANCELLED : YW_JOB_STATE_REFUSED,
                   unseen ? NO_REASON : YW_REASON_STALE);
    } else {
        shuttle->mark = id; /* [ORD-08] */
        int reason = obey(shuttle, order);
        int done = act == YW_ACT_RUN ? YW_JOB_STATE_ACCEPTED : YW_JOB_STATE_DONE;
        say_answer(shuttle, order, id, reason == NO_REASON ? done : YW_JOB_STATE_REFUSED, reason);
    }
    say_shuttle(shuttle);
}

static void bad_message(struct shuttle *shuttle)
{
    if (shuttle->bad_message && yw_left(shuttle->fault_due, shuttle_uptime(shuttle)) > 0) {
        return; /* [ENC-11] */
    }
    shuttle->bad_message = true;
    shuttle->fault_due = shuttle_uptime(shuttle) + BAD_MESSAGE_GAP_MS;
    say_fault(shuttle);
}

void shuttle_receive(struct shuttle *shuttle, const uint8_t *bytes, size_t length, bool to_all)
{
    struct order order;
    bool readable = order_read(&order, bytes, length);
    if (!readable || (to_all && order.number[YW_KEY_JOB_ORDER_ACT] != YW_ACT_HOLD)) { /* [HLD-06] */
        bad_message(shuttle);
        return;
    }
    switch (order.number[YW_KEY_JOB_ORDER_ACT]) {
    case YW_ACT_ASK:
        shuttle_repeat(shuttle);
        say_answer(shuttle, &order, 0, YW_JOB_STATE_DONE, NO_REASON);
        return;
    case YW_ACT_HOLD:
        shuttle->held = true;
        ++shuttle->holds;
        say_shuttle(shuttle);
        return;
    default:
        if (order.number[YW_KEY_JOB_ORDER_BOOT] != shuttle->boot) {
            uint32_t key = order.number[YW_KEY_JOB_ORDER_ACT] == YW_ACT_CANCEL ? YW_KEY_JOB_ORDER_REF : YW_KEY_JOB_ORDER_ID;
            say_answer(shuttle, &order, order.number[key], YW_JOB_STATE_REFUSED, YW_REASON_WRONG_BOOT);
            return;
        }
        owned(shuttle, &order);
    }
}

static void drive(struct shuttle *shuttle)
{
    if (shuttle->job_state == YW_JOB_STATE_ACCEPTED) {
        shuttle->job_state = YW_JOB_STATE_RUNNING;
        shuttle->state = YW_SHUTTLE_STATUS_STATE_MOVING;
        shuttle->due = shuttle_uptime(shuttle) + DRIVE_MS;
    } else if (yw_left(shuttle->due, shuttle_uptime(shuttle)) <= 0) {
        shuttle->job_state = YW_JOB_STATE_DONE;
        shuttle->state = YW_SHUTTLE_STATUS_STATE_AT_PLACE;
        strcpy(shuttle->place, shuttle->target);
        ++shuttle->stop;
    } else {
        return;
    }
    say_shuttle(shuttle);
    say_job(shuttle);
}

void shuttle_tick(struct shuttle *shuttle)
{
    if (job_is_open(shuttle) && !shuttle->held) {
        drive(shuttle);
    }
}
