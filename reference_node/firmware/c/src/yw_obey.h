/* What a node does about an order, once the checks have decided. */
#ifndef YW_OBEY_H
#define YW_OBEY_H

/* A report on an order that is no job; on a cancel, under the id of the job that it names [ORD-14]. */
static void yw_answer(const struct yw_order *order, uint8_t state, uint8_t reason)
{
    const struct yw_report report = {
        .number = yw_act(order) == YW_ACT_CANCEL ? yw_ref(order) : yw_id(order),
        .order_boot = yw_boot(order),
        .act = yw_act(order),
        .state = state,
        .reason = reason,
    };
    yw_say(YW_SAY_REPORT, &report);
}

/* All state, then the token: what came between is of now [ORD-03]. */
static void yw_answer_ask(uint32_t token)
{
    const struct yw_report report = {
        .number = token, .has_token = true, .act = YW_ACT_ASK, .state = YW_JOB_STATE_DONE, .reason = YW_NO_WORD};
    yw_tell_all();
    yw_say(YW_SAY_REPORT, &report);
}

/* Stops motion and keeps the job; has no report [HLD-01, HLD-02]. A repeat of the last one changes nothing [HLD-08]. */
static void yw_hold(const struct yw_order *order)
{
    bool named = yw_has(order, YW_KEY_JOB_ORDER_TOKEN);
    if (named && yw_flag.has_hold_token && yw.hold_token == yw_token(order)) {
        return;
    }
    yw_flag.has_hold_token = named;
    yw.hold_token = yw_token(order);
    ++yw.holds;
    yw_changed(YW_SAY_ROLE);
    if (!yw_flag.held) {
        yw_flag.held = true;
        yw_role_hold();
    }
}

static void yw_claim(const struct yw_order *order)
{
    if (yw_id(order) > yw.mark) {
        yw_raise_mark(yw_id(order));
        yw_flag.has_claimant = yw_has(order, YW_KEY_JOB_ORDER_TOKEN);
        yw.claimant = yw_token(order);
    }
    bool counts = yw_id(order) == yw.mark;
    yw_answer(order, counts ? YW_JOB_STATE_DONE : YW_JOB_STATE_REFUSED, counts ? YW_NO_WORD : YW_REASON_STALE);
}

/* Ends the job if nothing was picked; answered under its id, whatever the id of the cancel [ORD-17]. */
static void yw_cancel(void)
{
    if (yw_job_open() && !yw.job.past_return) {
        yw_job_is(YW_JOB_STATE_CANCELLED);
        yw_role_cancel();
    }
    yw_answer_job(YW_ACT_CANCEL, yw_job_open() ? YW_REASON_TOO_LATE : YW_NO_WORD);
    if (yw.job.state == YW_JOB_STATE_CANCELLED) {
        yw_report_job();
    }
}

/* Accepts a job; it starts with the next tick, so that a hold or a cancel that came with it still finds it at rest. */
static void yw_begin(const struct yw_order *order)
{
    const struct yw_label *box = &order->label[YW_LABEL_OF_BOX];
    yw.job.id = yw_id(order);
    yw.job.deadline = yw_deadline(order);
    yw.job.act = yw_act(order);
    yw.job.step = yw.job.reason = YW_NO_WORD;
    yw.job.past_return = false;
    yw.job.box_length = box->length;
    if (box->length) {
        memcpy(yw.job.box, box->text, box->length);
    }
    yw_job_is(YW_JOB_STATE_ACCEPTED);
    yw_role_accept(order);
    yw_report_job();
}

/* Clears what a person's look ends; moves nothing and restarts nothing [FLT-05]. */
static void yw_reset_fault(const struct yw_order *order)
{
    for (uint8_t code = 0; code < YW_FAULT_CODES; ++code) {
        if (code != YW_FAULT_CODE_LOAD_UNSURE && (code != YW_FAULT_CODE_POWER_LOST || yw_flag.power)) {
            yw_clear(code);
        }
    }
    if (!(yw.active & YW_HALT_CODES)) {
        yw_role_reset(order);
    }
    yw_say(YW_SAY_FAULT, NULL);
}

/* Does at once what is no job. */
static void yw_obey(const struct yw_order *order)
{
    switch (yw_act(order)) {
    case YW_ACT_RESUME:
        if (yw_flag.held) {
            yw_flag.held = false;
            yw_changed(YW_SAY_ROLE);
            yw_role_resume();
        }
        break;
    case YW_ACT_RESET_FAULT:
        yw_reset_fault(order);
        break;
    case YW_ACT_STIMULUS:
        yw_play(order->inputs);
        break;
    default:
        yw.uptime_ahead = order->number[YW_NUMBER_OF_UPTIME] - yw.now_ms; /* and changes nothing else [BEN-04] */
    }
    yw_answer(order, YW_JOB_STATE_DONE, YW_NO_WORD);
}

static void yw_handle(struct yw_order *order)
{
    uint8_t what = yw_desk(order);
    switch (what) {
    case YW_DO_ANSWER:
        yw_answer_ask(yw_token(order));
        break;
    case YW_DO_OBEY:
        yw_hold(order);
        break;
    case YW_DO_CLAIM:
        yw_claim(order);
        break;
    case YW_DO_REPEAT:
        yw_answer_job(yw_act(order), YW_NO_WORD);
        break;
    case YW_DO_CANCEL:
        yw_cancel();
        break;
    case YW_DO_CANCELLED:
        yw_answer(order, YW_JOB_STATE_CANCELLED, YW_NO_WORD);
        break;
    case YW_DO_ACCEPT:
        if (yw_is_in(YW_JOB_ACTS, yw_act(order))) {
            yw_begin(order);
        } else {
            yw_obey(order);
        }
        break;
    default:
        yw_answer(order, YW_JOB_STATE_REFUSED, what);
    }
}

#endif
