/* A node as a process on a computer: mqtt.c is its client. On a serial line a main loop over yw_line.h stands in the
 * place of that, as in the examples for boards. */
#ifndef PROCESS_H
#define PROCESS_H

#include "yw_site.h"

#include "yw_node.h"

/* Starts the node. `cells` is a file of six bytes for the number of the boot, `uptime` what its clock says at the start. */
void process_start(const char *cells, uint32_t uptime);

#endif
