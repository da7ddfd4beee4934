/* A node on MQTT, as a program for a computer, by libmosquitto (Debian: gcc libmosquitto-dev): NODE HOST PORT CELLS
 * [UPTIME]. CELLS is a file of six bytes for the number of the boot; it is made where it is not there. The node is on
 * the bench.
 *
 * CAUTION
 * - This program moves nothing: its pins lead nowhere (process.c). Motors behind yw_axis, yw_spreader or yw_motor there
 *   make a machine of it that can hurt, on a computer whose pins stay as they are when it hangs: first have every
 *   enable input pulled to 'off', and a watchdog of the hardware that takes motor power away.
 * - A message is no emergency stop. Fit a switch within reach that removes motor power from everything that can hurt,
 *   without this computer's help, give motors a supply of their own, and keep hands out while motor power is on.
 * - Leave mains wiring to a licensed person, and follow your local codes.
 */
#include <mosquitto.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "process.h"

enum {LOOP_MS = 1, TOPIC = 64, HEAD = 4 + 2}; /* HEAD: fixed header, length of the topic, packet id; at the least */
enum {WAIT_LEAST_MS = 2 * YW_RECONNECT_MS_LEAST, WAIT_MOST_MS = 8 * WAIT_LEAST_MS}; /* in the bounds of LNK-10 */

static struct mosquitto *client;
static uint32_t wait_before_next_ms = WAIT_LEAST_MS;
static const char *host, *port;
static bool told_away; /* each failure to connect is told once, not at every attempt */

/* What goes on, for whoever started the program in a terminal. */
static void tell(const char *what, const char *why)
{
    printf("%s: %s %s, port %s%s%s\n", YW_NODE, what, host, port, *why ? ": " : "", why);
    fflush(stdout);
}

static void tell_away(const char *why)
{
    if (!told_away) {
        told_away = true;
        tell("cannot connect, and goes on trying:", why);
    }
}

static void topic_of(uint8_t message, char *topic)
{
    size_t length = 0;
    switch (message) {
    case YW_SAY_NODE:
        length = yw_topic_node_status(topic, TOPIC, YW_SITE, YW_NODE);
        break;
    case YW_SAY_ROLE:
#if YW_ROLE == YW_ROLE_IS_CRANE
        length = yw_topic_crane_status(topic, TOPIC, YW_SITE, YW_NODE);
#elif YW_ROLE == YW_ROLE_IS_BERTH
        length = yw_topic_train_arrival(topic, TOPIC, YW_SITE, YW_NODE);
#else
        length = yw_topic_shuttle_status(topic, TOPIC, YW_SITE, YW_NODE);
#endif
        break;
    case YW_SAY_FAULT:
        length = yw_topic_fault(topic, TOPIC, YW_SITE, YW_NODE);
        break;
    default:
        length = yw_topic_job_report(topic, TOPIC, YW_SITE, YW_NODE);
    }
    if (!length) {
        abort();
    }
}

bool yw_send(uint8_t message, const uint8_t *payload, yw_length length)
{
    char topic[TOPIC];
    topic_of(message, topic);
    bool retain = message != YW_SAY_REPORT;
    return mosquitto_publish(client, NULL, topic, length, payload, YW_QOS, retain) == MOSQ_ERR_SUCCESS;
}

/* At every CONNACK: both subscriptions, and only then may the node speak [LNK-07]. */
static void on_connect(struct mosquitto *from, void *user, int code)
{
    char topic[TOPIC];
    (void)user;
    if (code != 0) {
        tell_away(mosquitto_connack_string(code));
    }
    if (code == 0 && yw_topic_job_order(topic, sizeof topic, YW_SITE, YW_NODE)) {
        mosquitto_subscribe(from, NULL, topic, 1);
        yw_topic_job_order(topic, sizeof topic, YW_SITE, YW_EVERYONE);
        mosquitto_subscribe(from, NULL, topic, 1);
        wait_before_next_ms = WAIT_LEAST_MS;
        told_away = false;
        tell("connected to", "");
        yw_connected();
    }
}

static void on_message(struct mosquitto *from, void *user, const struct mosquitto_message *message)
{
    (void)from, (void)user;
    size_t length = (size_t)message->payloadlen;
    size_t packet = strlen(message->topic) + length + (length < 128 ? HEAD : HEAD + 1);
    if (message->retain || packet > YW_BUFFER) {
        return; /* of another day [LNK-14], or larger than the receive buffer that the node says it has */
    }
    uint8_t *copy = malloc(length ? length : 1); /* as large as the payload and no larger, for the sanitizers */
    if (!copy) {
        abort();
    }
    if (length) {
        memcpy(copy, message->payload, length);
    }
    yw_receive(copy, (uint16_t)length, strstr(message->topic, "/" YW_EVERYONE "/") != NULL);
    free(copy);
}

/* A client for one connection: one that connects again by itself says first what the last connection left unsaid. Its
 * session is clean, its name that of the node, its will what the node is when it is gone. A login or TLS is set here
 * too. */
static struct mosquitto *client_for_one_connection(void)
{
    uint8_t will[YW_WILL_ROOM];
    char topic[TOPIC];
    struct mosquitto *made = mosquitto_new(YW_NODE, true, NULL);
    mosquitto_int_option(made, MOSQ_OPT_TCP_NODELAY, 1);
    mosquitto_connect_callback_set(made, on_connect);
    mosquitto_message_callback_set(made, on_message);
    topic_of(YW_SAY_NODE, topic);
    mosquitto_will_set(made, topic, yw_will(will), will, YW_QOS, true);
    return made;
}

static void wait_ms(uint32_t ms)
{
    for (uint32_t began_ms = yw_clock_ms(); yw_clock_ms() - began_ms < ms; usleep(1000)) {
        yw_tick();
    }
}

int main(int count, char **words)
{
    if (count < 4) {
        fprintf(stderr, "usage: %s HOST PORT CELLS [UPTIME]\nCELLS is a file for the number of the boot; it is made "
                        "where it is not there.\n", count ? words[0] : YW_NODE);
        return 2;
    }
    host = words[1], port = words[2];
    mosquitto_lib_init();
    process_start(words[3], count > 4 ? (uint32_t)strtoul(words[4], NULL, 10) : 0);
    for (;;) {
        client = client_for_one_connection();
        int failed = mosquitto_connect(client, host, atoi(port), YW_KEEP_ALIVE_S);
        if (failed) {
            tell_away(mosquitto_strerror(failed));
        } else {
            while (mosquitto_loop(client, LOOP_MS, 1) == MOSQ_ERR_SUCCESS) {
                yw_tick();
            }
            yw_disconnected();
        }
        mosquitto_destroy(client);
        wait_ms(wait_before_next_ms);
        wait_before_next_ms = wait_before_next_ms < WAIT_MOST_MS ? 2 * wait_before_next_ms : WAIT_MOST_MS;
    }
}
