/* The whole node in one translation unit, so that a compiler sees what the board does not need:
 *
 *     #include "yw_site.h"   // made from your site file
 *     #include <yw_core.h>   // in exactly one C file
 *
 * With YW_JSON defined in front of both, in each file of the board, the node reads and writes JSON as its site file says.
 *
 * No allocation, no floating point, no recursion; constants are in program memory on AVR, and int may have 16 bits. */
#ifndef YW_CORE_H
#define YW_CORE_H

#include <stddef.h>
#include <string.h>

#include "yw_node.h"

#if !defined(YW_SITE_H)
#error "include yw_site.h, which is made from your site file, before yw_core.h"
#endif

#include "yw_state.h"
#include "yw_cbor_read.h"
#include "yw_order.h"
#if defined(YW_JSON)
#include "yw_json_tables.h"
#endif
#include "yw_say.h"
#if defined(YW_JSON)
#include "yw_json_read.h"
#include "yw_json_write.h"
#endif
#include "yw_job.h"
#include "yw_inputs.h"
#include "yw_machine.h"
#if YW_ROLE == YW_ROLE_IS_CRANE
#include "yw_axes.h"
#include "yw_places.h"
#include "yw_crane.h"
#elif YW_ROLE == YW_ROLE_IS_BERTH
#include "yw_reading.h"
#include "yw_berth.h"
#else
#include "yw_shuttle.h"
#endif
#include "yw_desk.h"
#include "yw_obey.h"
#include "yw_loop.h"
#include "yw_boot.h"

#endif
