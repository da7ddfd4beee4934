#include "say.h"

#include <stdarg.h>
#include <stdio.h>

#define YARDWIRE_WORDS
#include "yardwire.h"

struct text {
    char bytes[YW_PUBLISH_JSON_BYTES_MOST + 1];
    size_t length;
};

__attribute__((format(printf, 2, 3))) static void add(struct text *text, const char *format, ...)
{
    va_list values;
    va_start(values, format);
    size_t room = sizeof text->bytes - text->length;
    int added = vsnprintf(text->bytes + text->length, room, format, values);
    va_end(values);
    text->length += added < 0 ? 0 : (size_t)added < room ? (size_t)added : room - 1;
}

static void begin(struct text *text, struct shuttle *shuttle, enum message message)
{
    text->length = 0;
    add(text, "{\"boot\":%u,\"seq\":%u,\"uptime\":%u", shuttle->boot, shuttle->seq[message], shuttle_uptime(shuttle));
    if (message != FAULT) {
        add(text, ",\"mark\":%u", shuttle->mark);
    }
}

static void end(struct text *text, struct shuttle *shuttle, enum message message)
{
    add(text, "}");
    if (link_publish(shuttle, message, text->bytes)) {
        ++shuttle->seq[message]; /* no gap for what was never sent [MSG-07] */
    }
}

/* The minor version that this firmware was written for. What later ones brought it need not know, whatever the
   minor version of the header that it is built with. */
enum { MINOR = 0 };

void say_node(struct shuttle *shuttle)
{
    struct text text;
    begin(&text, shuttle, NODE_STATUS);
    add(&text, ",\"state\":\"on\",\"link\":%u,\"roles\":[\"shuttle\"],\"firmware\":\"c-1\"", shuttle->link);
    add(&text, ",\"minor\":%d,\"reads\":\"cbor\",\"reset\":\"power-on\",\"bench\":false", MINOR);
    add(&text, ",\"digest\":%u,\"buffer\":%d", shuttle->digest, YW_PUBLISH_JSON_BYTES_MOST);
    end(&text, shuttle, NODE_STATUS);
}

void say_shuttle(struct shuttle *shuttle)
{
    struct text text;
    begin(&text, shuttle, SHUTTLE_STATUS);
    if (shuttle->job) {
        add(&text, ",\"job\":%u,\"job_state\":\"%s\"", shuttle->job, yw_job_state_words[shuttle->job_state]);
    }
    add(&text, ",\"held\":%s,\"holds\":%u", shuttle->held ? "true" : "false", shuttle->holds);
    add(&text, ",\"state\":\"%s\"", yw_shuttle_status_state_words[shuttle->state]);
    if (shuttle->state == YW_SHUTTLE_STATUS_STATE_AT_PLACE) {
        add(&text, ",\"place\":\"%s\"", shuttle->place);
    }
    add(&text, ",\"stop\":%u,\"load\":\"unsure\"", shuttle->stop);
    end(&text, shuttle, SHUTTLE_STATUS);
}

void say_fault(struct shuttle *shuttle)
{
    struct text text;
    begin(&text, shuttle, FAULT);
    if (shuttle->bad_message) {
        add(&text, ",\"active\":[\"bad-message\"],\"changed\":\"bad-message\",\"level\":\"warn\",\"faults\":0");
    } else {
        add(&text, ",\"active\":[],\"faults\":0");
    }
    end(&text, shuttle, FAULT);
}

static void report(struct shuttle *shuttle, uint32_t id, uint32_t boot, unsigned act, int state, int reason)
{
    struct text text;
    begin(&text, shuttle, JOB_REPORT);
    add(&text, ",\"id\":%u,\"state\":\"%s\",\"order_boot\":%u", id, yw_job_state_words[state], boot);
    add(&text, ",\"act\":\"%s\"", yw_act_words[act]);
    if (reason != NO_REASON) {
        add(&text, ",\"reason\":\"%s\"", yw_reason_words[reason]);
    }
    end(&text, shuttle, JOB_REPORT);
}

void say_answer(struct shuttle *shuttle, const struct order *order, uint32_t id, int state, int reason)
{
    const uint32_t *number = order->number;
    if (number[YW_KEY_JOB_ORDER_ACT] != YW_ACT_ASK) {
        report(shuttle, id, number[YW_KEY_JOB_ORDER_BOOT], number[YW_KEY_JOB_ORDER_ACT], state, reason);
        return;
    }
    struct text text;
    begin(&text, shuttle, JOB_REPORT);
    add(&text, ",\"state\":\"done\",\"token\":%u,\"act\":\"ask\"", number[YW_KEY_JOB_ORDER_TOKEN]);
    end(&text, shuttle, JOB_REPORT);
}

void say_job(struct shuttle *shuttle)
{
    report(shuttle, shuttle->job, shuttle->job_boot, YW_ACT_RUN, shuttle->job_state, NO_REASON);
}
