/* Stands in for libmosquitto and for the clock: a broker that answers at some attempts, and time that passes only in
 * waits. A line for each attempt: when it is, in ms. The host that the program is told is its attempts, one letter
 * each: n nobody is there, r refused, a accepted and gone again a second later. */
#include <mosquitto.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static unsigned long long now_us = 1000000;
static void (*on_connect)(struct mosquitto *, void *, int);
static char outcome;
static int turns, said, subscribed;

int clock_gettime(clockid_t id, struct timespec *now)
{
    (void)id;
    now->tv_sec = (time_t)(now_us / 1000000);
    now->tv_nsec = (long)(now_us % 1000000) * 1000;
    return 0;
}

int usleep(useconds_t us)
{
    now_us += us;
    return 0;
}

int mosquitto_lib_init(void) { return 0; }

const char *mosquitto_strerror(int code) { return code == MOSQ_ERR_ERRNO ? "nobody is there" : "?"; }

const char *mosquitto_connack_string(int code) { return code == 5 ? "not authorised" : "?"; }

struct mosquitto *mosquitto_new(const char *id, bool clean, void *user)
{
    (void)user;
    if (!clean || strcmp(id, "siding") != 0) {
        exit(3);
    }
    return (struct mosquitto *)&outcome;
}

void mosquitto_destroy(struct mosquitto *gone) { (void)gone; }

int mosquitto_int_option(struct mosquitto *of, enum mosq_opt_t option, int value)
{
    (void)of, (void)option, (void)value;
    return 0;
}

void mosquitto_connect_callback_set(struct mosquitto *of, void (*callback)(struct mosquitto *, void *, int))
{
    (void)of;
    on_connect = callback;
}

void mosquitto_message_callback_set(
    struct mosquitto *of, void (*callback)(struct mosquitto *, void *, const struct mosquitto_message *))
{
    (void)of, (void)callback;
}

int mosquitto_will_set(struct mosquitto *of, const char *topic, int length, const void *payload, int qos, bool retain)
{
    (void)of, (void)payload;
    if (length <= 0 || qos > 1 || !retain || !strstr(topic, "/siding/node-status")) {
        exit(4);
    }
    return 0;
}

int mosquitto_connect(struct mosquitto *with, const char *attempts, int port, int keep_alive_s)
{
    static size_t attempt;
    (void)with, (void)port;
    if (keep_alive_s <= 0) {
        exit(5);
    }
    outcome = attempts[attempt++];
    if (!outcome) {
        exit(0);
    }
    printf("%llu\n", (now_us - 1000000) / 1000);
    turns = said = subscribed = 0;
    return outcome == 'n' ? MOSQ_ERR_ERRNO : MOSQ_ERR_SUCCESS;
}

/* The CONNACK in the first turn of the loop; the connection is gone after a second. */
int mosquitto_loop(struct mosquitto *of, int timeout, int most)
{
    (void)most;
    now_us += (unsigned long long)timeout * 1000;
    if (turns == 0) {
        on_connect(of, NULL, outcome == 'r' ? 5 : 0);
    }
    return outcome == 'r' || ++turns == 1000 ? MOSQ_ERR_CONN_LOST : MOSQ_ERR_SUCCESS;
}

int mosquitto_subscribe(struct mosquitto *of, int *number, const char *topic, int qos)
{
    (void)of, (void)number, (void)topic;
    if (said || qos != 1) {
        exit(6); /* It has spoken before it could hear, or an order may be dropped without a trace. */
    }
    ++subscribed;
    return 0;
}

int mosquitto_publish(
    struct mosquitto *of, int *number, const char *topic, int length, const void *payload, int qos, bool retain)
{
    (void)of, (void)number, (void)topic, (void)length, (void)payload, (void)qos, (void)retain;
    said = 1;
    if (subscribed != 2 || outcome != 'a') {
        exit(7);
    }
    return 0;
}
