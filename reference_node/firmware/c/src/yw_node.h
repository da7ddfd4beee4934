/* A node of the Yardwire protocol: what a board calls, and what it has to give.
 *
 * CAUTION. A bus message is no emergency stop, and neither is `hold`. Fit a switch that removes motor power from
 * everything that can hurt, without the help of any controller; give motors a supply of their own; keep hands out while
 * motor power is on. Pull every enable input to 'off' with a resistor: pins float while a controller starts.
 *
 * All functions are to be called from the main loop alone, never from an interrupt, save yw_line_take on AVR. There the node
 * keeps GPIOR0, GPIOR1 and GPIOR2 for itself. */
#ifndef YW_NODE_H
#define YW_NODE_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ------------------------------------------------------------ what the board calls */

/* How long what is sent may be. With YW_JSON in some files of a board and not in others it does not link. */
#if defined(YW_JSON)
typedef uint16_t yw_length;
enum {YW_WILL_ROOM = 48};
#define yw_start yw_start_with_json
#else
typedef uint8_t yw_length;
enum {YW_WILL_ROOM = 16};
#endif

/* What is told by whom: state of the node, of its role, its faults, and reports. All but reports are retained. */
enum yw_message {YW_SAY_NODE, YW_SAY_ROLE, YW_SAY_FAULT, YW_SAY_REPORT, YW_MESSAGES};

/* How the node came up: the number of this boot, whether it had to be drawn, bench or in service, and the reset cause,
 * one of enum yw_node_status_reset in yardwire.h. */
struct yw_how {
    uint16_t boot;
    bool boot_lost, bench;
    uint8_t reset;
};

/* Once, before all others, with every output off. */
void yw_start(const struct yw_how *how);

/* Writes the payload of the will for the connection to come; gives its length, at most YW_WILL_ROOM. */
uint8_t yw_will(uint8_t *payload);

/* The same for the parting word before a disconnect on purpose. */
uint8_t yw_parting(uint8_t *payload);

/* After a connection and the two subscriptions; says all state. */
void yw_connected(void);

/* The connection is gone. The job goes on. */
void yw_disconnected(void);

/* The payload of one order, copied out of the receive buffer or still in it: it is not used after the return. Not for a
 * retained one. `to_all`: it came on the topic of all. */
void yw_receive(const uint8_t *payload, uint16_t length, bool to_all);

/* As often as the main loop comes round, once a millisecond at best. Never blocks. */
void yw_tick(void);

/* ------------------------------------------------------------ what the board has to give */

/* Milliseconds since the start; goes on from 0 after 4294967295. */
uint32_t yw_clock_ms(void);

/* Publishes one message; false where it did not go out, and then it is not counted. Called while connected alone. */
bool yw_send(uint8_t message, const uint8_t *payload, yw_length length);

/* How the sensors stand, one bit each by enum yw_sensor in yardwire.h, 1 for closed; bounce and all. */
enum {YW_SENSOR_BY_HAND = 11}; /* the switch at a crane by which somebody takes it by hand */
uint16_t yw_inputs(void);

/* Crane: sends an axis to a setpoint, and gives where the axis really is. The core calls it about every 10 ms while the axis
 * moves, and has each time moved the setpoint on by the speed and acceleration of the site file. The axis may lag behind: a
 * leg ends once every axis that it moves is at its target exactly, and a job over job_timeout_ms ends with axis-stuck.
 * The unit is the axis's own; the count is 0 where the board started, and what homing found the core takes off by itself. */
int16_t yw_axis(uint8_t axis, int16_t setpoint);
void yw_axis_off(uint8_t axis); /* no current, at the start and after a loss of power */

/* Crane: closes or opens the spreader; it may take YW_GRIP_MS. */
void yw_spreader(bool closed);
void yw_spreader_off(void);

/* Berth: duty of the track, 0 to 100. Shuttle: -100 to 100, plus towards the last stop. 0 is off, and at once. */
void yw_motor(int8_t percent);

/* ------------------------------------------------------------ on a serial line (yw_line.h), in place of yw_send */

/* Stores one byte that has come. Also while yw_line_put waits, and on AVR in an interrupt. */
void yw_line_take(uint8_t byte);

void yw_line_tick(void); /* in place of yw_tick; obeys the orders that have come */

/* The board's: writes one byte. It may wait for room, and then takes meanwhile what comes: a node speaks for 20 ms where an
 * order takes 1. */
void yw_line_put(uint8_t byte);

/* ------------------------------------------------------------ number of the boot (yw_boot.h) */

/* Six bytes that outlive a loss of power, and 16 bits that nobody can foresee. */
uint8_t yw_cell_read(uint8_t cell);
void yw_cell_write(uint8_t cell, uint8_t value);
uint16_t yw_entropy(void);

/* Counts up and gives the number of this boot; `lost` is set where no valid one was found. */
uint16_t yw_next_boot(bool *lost);

#ifdef __cplusplus
}
#endif

#endif
