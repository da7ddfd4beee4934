/* What a shuttle says, as JSON. */
#ifndef SAY_H
#define SAY_H

#include "order.h"
#include "shuttle.h"

enum { NO_REASON = -1 };

void say_node(struct shuttle *shuttle);
void say_shuttle(struct shuttle *shuttle);
void say_fault(struct shuttle *shuttle);
void say_answer(struct shuttle *shuttle, const struct order *order, uint32_t id, int state, int reason);
void say_job(struct shuttle *shuttle);

#endif
