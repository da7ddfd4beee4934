/* Where a crane has to go: places, slots, and the measured table of a track. */
#ifndef YW_PLACES_H
#define YW_PLACES_H

/* One end of a transfer. */
struct yw_where {
    uint8_t place, slot;
};

#define yw_place_figure(place, field) yw_place_byte(place, offsetof(struct yw_place, field))

static YW_APART uint8_t yw_place_byte(uint8_t place, uint8_t at)
{
    return yw_flash_8((const uint8_t *)&yw_places[place] + at);
}

static bool yw_is_name(const struct yw_label *label, const char *name)
{
    for (uint8_t i = 0; i < label->length; ++i) {
        if (label->text[i] != (uint8_t)yw_flash_8(&name[i])) {
            return false;
        }
    }
    return label->length >= YW_NAME_ROOM - 1 || yw_flash_8(&name[label->length]) == 0;
}

static uint8_t yw_place_named(const struct yw_label *label)
{
    for (uint8_t place = 0; place < YW_PLACES; ++place) {
        if (yw_is_name(label, yw_places[place].name)) {
            return place;
        }
    }
    return YW_NO_WORD;
}

static int16_t yw_point(uint8_t place, uint8_t point, uint8_t which)
{
    return (int16_t)yw_flash_16(&yw_points[yw_place_figure(place, first_point) + point][which]);
}

/* Whether a reading was measured: outside the table the line is a guess [CRN-06]. */
static bool yw_is_measured(uint8_t place, int16_t reading)
{
    uint8_t points = yw_place_figure(place, points);
    return points == 0 || (reading >= yw_point(place, 0, 0) && reading <= yw_point(place, (uint8_t)(points - 1), 0));
}

/* What the rest of a train adds to the first axis: on the straight line between two measured points. Site files whose
 * steps between two points leave 32 bits when multiplied are refused when yw_site.h is made. */
static int16_t yw_shift(uint8_t place, int16_t reading)
{
    uint8_t points = yw_place_figure(place, points), after = 1;
    if (points == 0) {
        return 0;
    }
    while (after < points - 1 && reading >= yw_point(place, after, 0)) {
        ++after;
    }
    uint8_t before = (uint8_t)(after - 1);
    int16_t x0 = yw_point(place, before, 0), y0 = yw_point(place, before, 1);
    uint16_t wide = (uint16_t)(yw_point(place, after, 0) - x0), in = (uint16_t)(reading - x0);
    int16_t high = (int16_t)(yw_point(place, after, 1) - y0);
    /* Rounds to the nearest, halves away from zero. */
    uint16_t size = (uint16_t)(((uint32_t)yw_size_of(high) * in + wide / 2U) / wide);
    return (int16_t)(high < 0 ? y0 - (int16_t)size : y0 + (int16_t)size);
}

/* Where an axis has to be over a slot. */
static int16_t yw_position(uint8_t axis, const struct yw_where *where, int16_t reading)
{
    uint8_t row = (uint8_t)(yw_place_figure(where->place, first_slot) + where->slot);
    int16_t position = (int16_t)yw_flash_16(&yw_slots[row][axis]);
    return axis == 0 ? (int16_t)(position + yw_shift(where->place, reading)) : position;
}

static bool yw_reaches(uint8_t axis, int16_t position)
{
    return position >= yw_axis_figure(axis, least) && position <= yw_axis_figure(axis, most);
}

#endif
