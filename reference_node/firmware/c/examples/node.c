/* The node itself. It is C, and in a file of its own; the sketch is C++. With a client of MQTT in place of the cable leave
 * yw_line.h out, and for JSON define YW_JSON in front of yw_site.h, here and in the sketch. */
#include "yw_site.h"

#include <yw_core.h>
#include <yw_line.h>
