/* An order as it came, read from CBOR. */
#ifndef ORDER_H
#define ORDER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { PLACE_ROOM = 9 }; /* a label of 8 bytes and a NUL */

struct order {
    uint32_t number[32]; /* by CBOR key */
    uint32_t has;        /* one bit for each key */
    char place[PLACE_ROOM]; /* the last place that it names */
};

bool order_read(struct order *order, const uint8_t *bytes, size_t length);

static inline bool order_has(const struct order *order, unsigned key)
{
    return order->has >> key & 1;
}

#endif
