/* The shapes of what a node knows of its layout. The figures are in yw_site.h, made from the site file. */
#ifndef YW_SITE_TYPES_H
#define YW_SITE_TYPES_H

#include <stdint.h>

#include "yardwire.h"

#define YW_NAME_ROOM 9 /* a label of 8 bytes and a NUL */

/* Macros, so that the preprocessor can choose by them. */
#define YW_ROLE_IS_CRANE 0
#define YW_ROLE_IS_BERTH 1
#define YW_ROLE_IS_SHUTTLE 2

enum {YW_STACK, YW_TRACK, YW_DECK};

/* One axis of a crane, in its own unit, and seconds. The last one is the hoist. */
struct yw_axis_site {
    char name[YW_NAME_ROOM];
    int16_t least, most, home, park, speed, acceleration;
};

/* A place that a crane reaches: rows of yw_slots and of yw_points. */
struct yw_place {
    char name[YW_NAME_ROOM];
    uint8_t kind, first_slot, slots, first_point, points;
};

#endif
