/* A node on MQTT, as a process: node HOST PORT CELLS [UPTIME]
 *
 * CELLS is a file of six bytes for the number of the boot. The node is on the bench: its sensors are the tester's, and
 * its machine follows every setpoint at once. */
#include <mosquitto.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "yw_site.h"

#include "yw_node.h"

enum {LOOP_MS = 1, TOPIC = 64, HEAD = 4 + 2}; /* HEAD: fixed header, length of the topic, packet id; at the least */

static struct mosquitto *client;
static const char *cells;
static uint32_t uptime_at_start;

uint32_t yw_clock_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    static uint64_t started_ms;
    uint64_t ms = (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
    started_ms = started_ms ? started_ms : ms;
    return (uint32_t)(ms - started_ms) + uptime_at_start;
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

bool yw_send(uint8_t message, const uint8_t *payload, uint8_t length)
{
    char topic[TOPIC];
    topic_of(message, topic);
    bool retain = message != YW_SAY_REPORT;
    return mosquitto_publish(client, NULL, topic, length, payload, YW_QOS, retain) == MOSQ_ERR_SUCCESS;
}

uint16_t yw_inputs(void)
{
    return 0;
}

#if YW_ROLE == YW_ROLE_IS_CRANE
int16_t yw_axis(uint8_t axis, int16_t setpoint)
{
    (void)axis;
    return setpoint;
}

void yw_axis_off(uint8_t axis)
{
    (void)axis;
}

void yw_spreader(bool closed)
{
    (void)closed;
}

void yw_spreader_off(void)
{
}
#else
void yw_motor(int8_t percent)
{
    (void)percent;
}
#endif

uint8_t yw_cell_read(uint8_t cell)
{
    FILE *file = fopen(cells, "rb");
    int byte = EOF;
    if (file && fseek(file, cell, SEEK_SET) == 0) {
        byte = fgetc(file);
    }
    if (file) {
        fclose(file);
    }
    return byte == EOF ? 0xFF : (uint8_t)byte;
}

void yw_cell_write(uint8_t cell, uint8_t value)
{
    FILE *file = fopen(cells, "r+b");
    file = file ? file : fopen(cells, "w+b");
    if (!file || fseek(file, cell, SEEK_SET) != 0 || fputc(value, file) == EOF || fclose(file) != 0) {
        perror(cells);
        exit(2);
    }
}

uint16_t yw_entropy(void)
{
    uint16_t bits = 0;
    FILE *file = fopen("/dev/urandom", "rb");
    if (!file || fread(&bits, sizeof bits, 1, file) != 1) {
        exit(2);
    }
    fclose(file);
    return bits;
}

static void on_connect(struct mosquitto *from, void *user, int code)
{
    char topic[TOPIC];
    (void)user;
    if (code == 0 && yw_topic_job_order(topic, sizeof topic, YW_SITE, YW_NODE)) {
        mosquitto_subscribe(from, NULL, topic, 1);
        yw_topic_job_order(topic, sizeof topic, YW_SITE, YW_EVERYONE);
        mosquitto_subscribe(from, NULL, topic, 1);
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

/* A client for one connection: one that connects again by itself says first what the last connection left unsaid. */
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
        return 2;
    }
    cells = words[3];
    uptime_at_start = count > 4 ? (uint32_t)strtoul(words[4], NULL, 10) : 0;
    struct yw_how how = {.bench = true, .reset = YW_NODE_STATUS_RESET_POWER_ON};
    how.boot = yw_next_boot(&how.boot_lost);
    mosquitto_lib_init();
    yw_start(&how);
    for (;;) {
        client = client_for_one_connection();
        if (mosquitto_connect(client, words[1], atoi(words[2]), YW_KEEP_ALIVE_S) == MOSQ_ERR_SUCCESS) {
            while (mosquitto_loop(client, LOOP_MS, 1) == MOSQ_ERR_SUCCESS) {
                yw_tick();
            }
            yw_disconnected();
        }
        mosquitto_destroy(client);
        wait_ms(2 * YW_RECONNECT_MS_LEAST);
    }
}
