/* The one job of a node, and its faults. */
#ifndef YW_JOB_H
#define YW_JOB_H

static void yw_role_halt(void);

static bool yw_job_open(void)
{
    return yw.job.state <= YW_JOB_STATE_RUNNING;
}

/* Remembers the highest id, and forgets whose claim raised it before [ORD-08]. */
static void yw_raise_mark(uint32_t id)
{
    yw.mark_before = yw.mark;
    if (id > yw.mark) {
        yw.mark = id;
    }
    yw_flag.has_claimant = false;
    yw_changed(YW_SAY_NODE);
    yw_changed(YW_SAY_ROLE);
}

/* The state of the job, to an order with this act: its own, or a cancel [ORD-06, ORD-17]. */
static void yw_answer_job(uint8_t act, uint8_t reason)
{
    const struct yw_report report = {
        .number = yw.job.id,
        .order_boot = yw.boot,
        .act = act,
        .state = yw.job.state,
        .reason = reason == YW_NO_WORD ? yw.job.reason : reason,
        .of_job = true,
    };
    yw_say(YW_SAY_REPORT, &report);
}

/* Every change of the job's state and step is reported when it happens [ORD-16]. */
static void yw_report_job(void)
{
    yw_answer_job(yw.job.act, YW_NO_WORD);
}

static YW_APART void yw_job_is(uint8_t state)
{
    yw.job.state = state;
    yw_changed(YW_SAY_ROLE);
}

static void yw_step(uint8_t step)
{
    if (yw.job.step != step) {
        yw.job.step = step;
        yw_report_job();
    }
}

/* What was asked is so. */
static void yw_finish(void)
{
    yw_job_is(YW_JOB_STATE_DONE);
    yw_report_job();
}

static YW_APART void yw_fault_changes(uint8_t code, const char *part, uint32_t job)
{
    yw.changed_fault = code;
    yw.part = part;
    yw.fault_job = job;
    yw_changed(YW_SAY_FAULT);
}

/* A fault of level warn neither ends a job nor counts [FLT-03]. */
static void yw_warn(uint8_t code)
{
    yw.active |= yw_bit(code);
    yw_fault_changes(code, NULL, 0);
    yw_say(YW_SAY_FAULT, NULL);
}

static void yw_clear(uint8_t code)
{
    if (yw_is_in(yw.active, code)) {
        yw.active &= (uint16_t)~yw_bit(code);
        yw_fault_changes(code, NULL, 0);
    }
}

/* A fault of level halt: the job fails, the machine stops, the fault is counted [FLT-02]. `part` is in flash. */
static void yw_halt(uint8_t code, const char *part)
{
    bool was_open = yw_job_open();
    yw.active |= yw_bit(code);
    ++yw.faults;
    yw_fault_changes(code, part, was_open ? yw.job.id : 0);
    yw_role_halt();
    yw_say(YW_SAY_FAULT, NULL);
    if (was_open) {
        yw.job.reason = YW_REASON_FAULT;
        yw_job_is(YW_JOB_STATE_FAILED);
        yw_report_job();
    }
}

#endif
