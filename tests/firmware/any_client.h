/* What the program of the guide wants of a client of MQTT, and of a board. */
#ifndef ANY_CLIENT_H
#define ANY_CLIENT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

bool client_connect(const char *id, int keep_alive_s, const char *will_topic, const uint8_t *will, size_t length, int qos);
bool client_subscribe(const char *topic, int qos);
bool client_publish(const char *topic, const uint8_t *payload, size_t length, int qos, bool retain);
bool client_turn(void);
bool bench_jumper(void);

/* The program's, for what comes. */
void on_message(const char *topic, const uint8_t *payload, uint16_t length, size_t packet, bool retained);

#endif
