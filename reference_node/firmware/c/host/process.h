/* A node as a process, on MQTT (mqtt.c) or on a serial line (line.c). */
#ifndef PROCESS_H
#define PROCESS_H

#include "yw_site.h"

#include "yw_node.h"

/* Starts the node. `cells` is a file of six bytes for the number of the boot, `uptime` what its clock says at the start. */
void process_start(const char *cells, uint32_t uptime);

#endif
