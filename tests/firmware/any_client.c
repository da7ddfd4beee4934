/* A client without a network, and a berth that moves nothing, behind the program of the guide: a line for all that the
 * program does. A hold comes to all: retained, too long, and as it should; an ask comes to all, and then to the node
 * alone. Then the connection goes, the next attempt fails, and two later ones do not. */
#include "client.h"

#include <stdio.h>
#include <stdlib.h>

#include "yw_site.h"

#include "yw_node.h"

enum {GONE = 60}; /* so many turns a connection has */
static const uint8_t hold[] = {0xA1, YW_KEY_JOB_ORDER_ACT, YW_ACT_HOLD};
static const uint8_t ask[] = {0xA2, YW_KEY_JOB_ORDER_ACT, YW_ACT_ASK, YW_KEY_JOB_ORDER_TOKEN, 7};
static uint8_t cells[6] = {0};
static uint32_t now_ms;
static int turns, connections;

bool client_connect(const char *id, int keep_alive_s, const char *will_topic, const uint8_t *will, size_t length, int qos)
{
    printf("connects %s %d %s %zu %d at %lu\n", id, keep_alive_s, will_topic, length, qos, (unsigned long)now_ms);
    if (connections == 4) {
        exit(will[0] <= 0xA0); /* a will is a map */
    }
    turns = ++connections == 2 ? GONE : 0;
    return turns == 0;
}

bool client_subscribe(const char *topic, int qos)
{
    return printf("subscribes %s %d\n", topic, qos) > 0;
}

bool client_publish(const char *topic, const uint8_t *payload, size_t length, int qos, bool retain)
{
    printf("publishes %s %d %d ", topic, qos, (int)retain);
    for (size_t at = 0; at < length; ++at) {
        printf("%02x", payload[at]);
    }
    return printf("\n") > 0;
}

bool client_turn(void)
{
    const char *all = "yw1/" YW_SITE "/" YW_EVERYONE "/job-order";
    ++now_ms;
    switch (turns++) {
    case 10:
        on_message(all, hold, sizeof hold, 50, true);
        break;
    case 20:
        on_message(all, hold, sizeof hold, YW_BUFFER + 1, false);
        break;
    case 30:
        printf("holds\n");
        on_message(all, hold, sizeof hold, 50, false);
        break;
    case 40:
        on_message(all, ask, sizeof ask, 50, false);
        break;
    case 50:
        printf("asks\n");
        on_message("yw1/" YW_SITE "/" YW_NODE "/job-order", ask, sizeof ask, 50, false);
        break;
    default:
        break;
    }
    return turns < GONE;
}

bool bench_jumper(void) { return false; }

uint32_t yw_clock_ms(void) { return turns == GONE ? ++now_ms : now_ms; }

uint16_t yw_inputs(void) { return 0; }

void yw_motor(int8_t percent) { (void)percent; }

uint8_t yw_cell_read(uint8_t cell) { return cells[cell]; }

void yw_cell_write(uint8_t cell, uint8_t value) { cells[cell] = value; }

uint16_t yw_entropy(void) { return 4711; }
