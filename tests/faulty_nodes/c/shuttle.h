/* A shuttle with two places: what it knows, and what it does about an order or as time goes by. */
#ifndef SHUTTLE_H
#define SHUTTLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct shuttle {
    const char *site, *node;
    uint32_t digest, mark, job, job_boot, due, fault_due;
    uint32_t uptime_at_start;
    uint64_t started_ms;
    uint16_t boot, link, holds, stop, job_state, state;
    uint16_t seq[4]; /* by enum message */
    bool held, bad_message;
    char place[9], target[9];
};

enum message { NODE_STATUS, SHUTTLE_STATUS, FAULT, JOB_REPORT };

/* Publishes a message of the shuttle; false while there is no connection. */
bool link_publish(struct shuttle *shuttle, enum message message, const char *text);

uint64_t clock_ms(void);
uint32_t shuttle_uptime(const struct shuttle *shuttle);
void shuttle_connected(struct shuttle *shuttle);
void shuttle_receive(struct shuttle *shuttle, const uint8_t *bytes, size_t length, bool to_all);
void shuttle_tick(struct shuttle *shuttle);

/* Says its state once more, changed or not [MSG-02, MSG-03]. */
void shuttle_repeat(struct shuttle *shuttle);

#endif
