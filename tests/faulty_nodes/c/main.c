/* A shuttle on MQTT: main HOST PORT SITE NODE BOOT DIGEST UPTIME */
#include <mosquitto.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "shuttle.h"
#include "yardwire.h"

enum { KEEP_ALIVE_S = 10, LOOP_MS = 20, REPEAT_MS = 1500, TOPIC = 64 };

static struct mosquitto *client;
static volatile int acknowledged;
static bool is_connected;

uint64_t clock_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
}

static void topic_of(const struct shuttle *shuttle, enum message message, char *topic)
{
    static size_t (*const builders[])(char *, size_t, const char *, const char *) = {
        yw_topic_node_status, yw_topic_shuttle_status, yw_topic_fault, yw_topic_job_report};
    if (!builders[message](topic, TOPIC, shuttle->site, shuttle->node)) {
        abort();
    }
}

bool link_publish(struct shuttle *shuttle, enum message message, const char *text)
{
    char topic[TOPIC];
    topic_of(shuttle, message, topic);
    if (!is_connected) {
        return false; /* said later it would not be true, and the library would say it before it subscribes [LNK-07] */
    }
    mosquitto_publish(client, NULL, topic, (int)strlen(text), text, 1, message != JOB_REPORT);
#if defined(BUG_WAITS_IN_THE_CALLBACK)
    for (acknowledged = 0; message == FAULT && shuttle->bad_message && !acknowledged;) {
        usleep(1000); /* the acknowledgement is read by the loop that waits for us */
    }
#endif
    return true;
}

static void on_publish(struct mosquitto *from, void *user, int id)
{
    (void)from, (void)id;
    acknowledged = 1;
#if defined(BUG_COUNTS_TWICE)
    ++((struct shuttle *)user)->seq[SHUTTLE_STATUS];
#else
    (void)user;
#endif
}

static void on_connect(struct mosquitto *from, void *user, int code)
{
    struct shuttle *shuttle = user;
    char topic[TOPIC];
    if (code == 0 && yw_topic_job_order(topic, sizeof topic, shuttle->site, shuttle->node)) {
        mosquitto_subscribe(from, NULL, topic, 1);
        yw_topic_job_order(topic, sizeof topic, shuttle->site, YW_EVERYONE);
        mosquitto_subscribe(from, NULL, topic, 1);
        is_connected = true;
        shuttle_connected(shuttle);
    }
}

static void on_message(struct mosquitto *from, void *user, const struct mosquitto_message *message)
{
    (void)from;
    if (message->retain) {
        return; /* [LNK-14] */
    }
    size_t length = (size_t)message->payloadlen;
    uint8_t *copy = calloc(1, length); /* as large as the payload and no larger */
#if defined(BUG_EMPTY_PAYLOAD)
    if (*(const char *)message->payload == '{') {
        length = 0; /* it reads no JSON */
    }
#endif
    if (length) {
        memcpy(copy, message->payload, length);
    }
    shuttle_receive(user, copy, length, strstr(message->topic, "/" YW_EVERYONE "/") != NULL);
#if defined(BUG_PAYLOAD_AFTER_FREE)
    uint8_t *volatile kept = copy;
#endif
    free(copy);
#if defined(BUG_PAYLOAD_AFTER_FREE)
    if (((struct shuttle *)user)->bad_message && length) {
        fprintf(stderr, "bad message that begins with %02x\n", kept[0]);
    }
#endif
}

static void set_will(struct shuttle *shuttle)
{
    char topic[TOPIC], text[64];
    topic_of(shuttle, NODE_STATUS, topic);
    int length = snprintf(text, sizeof text, "{\"boot\":%u,\"state\":\"off\",\"link\":%u}", shuttle->boot, shuttle->link + 1U);
    mosquitto_will_set(client, topic, length, text, 1, true);
}

static void serve(struct shuttle *shuttle)
{
    uint64_t said_ms = clock_ms();
    is_connected = false;
    while (mosquitto_loop(client, LOOP_MS, 1) == MOSQ_ERR_SUCCESS) {
        shuttle_tick(shuttle);
        if (is_connected && clock_ms() - said_ms > REPEAT_MS) {
            said_ms = clock_ms();
            shuttle_repeat(shuttle);
        }
    }
}

/* A client for one connection: one that connects again says first what the last connection left unsaid [MSG-08]. */
static struct mosquitto *client_for(struct shuttle *shuttle)
{
    struct mosquitto *made = mosquitto_new(shuttle->node, true, shuttle);
    mosquitto_int_option(made, MOSQ_OPT_TCP_NODELAY, 1);
    mosquitto_connect_callback_set(made, on_connect);
    mosquitto_publish_callback_set(made, on_publish);
    mosquitto_message_callback_set(made, on_message);
    return made;
}

int main(int count, char **words)
{
    if (count != 8) {
        return 2;
    }
    struct shuttle shuttle = {.site = words[3], .node = words[4], .state = YW_SHUTTLE_STATUS_STATE_LOST};
    shuttle.boot = (uint16_t)strtoul(words[5], NULL, 10);
    shuttle.digest = (uint32_t)strtoul(words[6], NULL, 10);
    shuttle.uptime_at_start = (uint32_t)strtoul(words[7], NULL, 10);
    shuttle.started_ms = clock_ms();
    mosquitto_lib_init();
    for (;;) {
        client = client_for(&shuttle);
        set_will(&shuttle);
        if (mosquitto_connect(client, words[1], atoi(words[2]), KEEP_ALIVE_S) == MOSQ_ERR_SUCCESS) {
            serve(&shuttle);
        }
        mosquitto_destroy(client);
        usleep(YW_RECONNECT_MS_LEAST * 2000);
    }
}
