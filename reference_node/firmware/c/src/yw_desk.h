/* The checks of an order in their order: the first that holds decides. Made from the specification by
 * `python -m conformance.publish.firmware`; do not edit. */

/* What the node does about an order; below YW_DO it refuses it, and that is the reason. */
enum {YW_DO = 32, YW_DO_ANSWER = YW_DO, YW_DO_OBEY, YW_DO_CLAIM, YW_DO_REPEAT, YW_DO_CANCEL, YW_DO_CANCELLED, YW_DO_ACCEPT};

static uint8_t yw_desk(struct yw_order *order)
{
    const uint8_t act = yw_act(order);
    const bool is_known = yw_is_in(YW_ROLE_ACTS, act), is_job = yw_is_in(YW_JOB_ACTS, act);
    const bool is_ours = is_known && is_job; /* a job of the role */

    if (act == YW_ACT_ASK) {
        return YW_DO_ANSWER; /* ask: ORD-03 */
    }
    if (act == YW_ACT_HOLD) {
        return YW_DO_OBEY; /* hold: HLD-01 */
    }
    if (yw_boot(order) != yw.boot) {
        return YW_REASON_WRONG_BOOT; /* other_boot: ORD-05 */
    }
    if (act == YW_ACT_CLAIM) {
        return YW_DO_CLAIM; /* claim: CLM-01, CLM-02 */
    }
    if ((yw.job.id != 0) && (yw_id(order) == yw.job.id)) {
        return YW_DO_REPEAT; /* repeat_of_job: ORD-06 */
    }
    if ((act == YW_ACT_CANCEL) && (yw.job.id != 0) && (yw_ref(order) == yw.job.id)) {
        return YW_DO_CANCEL; /* cancel_of_job: ORD-17 */
    }
    if (yw_id(order) <= yw.mark) {
        return YW_REASON_STALE; /* at_or_below_mark: ORD-07 */
    }
    yw_raise_mark(yw_id(order));
    if ((act == YW_ACT_CANCEL) && (yw_ref(order) >= yw_id(order))) {
        return YW_REASON_STALE; /* cancel_of_later: ORD-21 */
    }
    if ((act == YW_ACT_CANCEL) && (yw_ref(order) > yw.mark_before)) {
        return YW_DO_CANCELLED; /* cancel_of_unseen: ORD-18 */
    }
    if (act == YW_ACT_CANCEL) {
        return YW_REASON_STALE; /* cancel_of_forgotten: ORD-07 */
    }
    if (!is_known) {
        return YW_REASON_UNSUPPORTED; /* unsupported: ORD-13 */
    }
    if (yw_is_in(1U << YW_ACT_STIMULUS | 1U << YW_ACT_SET_UPTIME, act) && !yw_flag.bench) {
        return YW_REASON_NOT_BENCH; /* not_on_bench: BEN-01 */
    }
    if ((act == YW_ACT_RESUME) && (yw_holds(order) != yw.holds)) {
        return YW_REASON_HOLDS_COUNT; /* holds_moved_on: HLD-04 */
    }
    if ((act == YW_ACT_RESET_FAULT) && (yw_faults(order) != yw.faults)) {
        return YW_REASON_FAULT_COUNT; /* faults_moved_on: FLT-04 */
    }
    if ((act == YW_ACT_RESET_FAULT) && (yw_has(order, YW_KEY_JOB_ORDER_FOUND) || yw_has(order, YW_KEY_JOB_ORDER_PLACE)) && !yw_role_finding_fits(order)) {
        return YW_REASON_NOTHING_FOUND; /* finding_unfit: BER-07, SHT-06 */
    }
    if (yw_has(order, YW_KEY_JOB_ORDER_DEADLINE) && ((int32_t)(yw_uptime() - yw_deadline(order)) > 0)) {
        return YW_REASON_LATE; /* past_deadline: ORD-10, ORD-11 */
    }
    if (is_job && (yw.job.id != 0) && yw_job_open()) {
        return YW_REASON_BUSY; /* job_open: ORD-12 */
    }
    if (is_job && yw_flag.held) {
        return YW_REASON_HELD; /* is_held: HLD-03 */
    }
    if (is_ours && (YW_ROLE == YW_ROLE_CRANE) && !yw_role_allows(act)) {
        return YW_REASON_MODE; /* mode_forbids: CRN-03 */
    }
    if (is_ours && (YW_ROLE != YW_ROLE_CRANE) && !yw_role_allows(act)) {
        return YW_REASON_STATE; /* state_forbids: BER-03, SHT-03 */
    }
    if (is_ours && !yw_role_load_fits(order)) {
        return YW_REASON_LOAD; /* load_forbids: CRN-08, CRN-09 */
    }
    if (is_ours && !yw_role_knows_place(order)) {
        return YW_REASON_PLACE; /* place_unknown: CRN-05, CRN-07, SHT-03 */
    }
    if (is_ours && !yw_role_within_table(order)) {
        return YW_REASON_OUTSIDE_TABLE; /* outside_table: CRN-06 */
    }
    if (is_ours && !yw_role_within_reach(order)) {
        return YW_REASON_REACH; /* out_of_reach: CRN-04 */
    }
    return YW_DO_ACCEPT;
}
