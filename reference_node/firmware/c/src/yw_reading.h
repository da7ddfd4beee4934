/* Where a train came to rest, as far as its passage over two sensors tells. Formulas of constant acceleration:
 *
 *     v = run / (time from arming to end + settling)
 *     window = v t - a (t - c)^2 / 2,  so  a = 2 (v t - window) / (t - c)^2
 *     reading = v c + v^2 / (2 a)
 *
 * with t the time that the end sensor was closed and c the time from its closing to the cut of the power. Ways in
 * 0.1 mm, times in ms, all in 32 bits. A train that rests with the sensor closed has shown no deceleration: then the
 * usual one is taken, and the way is the window at most. */
#ifndef YW_READING_H
#define YW_READING_H

#define YW_SETTLE_MS 45   /* what the faster start of the way saves in time */
#define YW_PAUSE 120      /* how much further a train comes through a hold than its time under power says */
#define YW_USUAL 800      /* decelerations in 0.1 mm/s^2: the usual one, and the limits of what is believed */
#define YW_LEAST 200
#define YW_MOST 4000
#define YW_LOST_MOST UINT32_C(2147000) /* a thousandth of 0.1 mm: twice that, times 1000, fits in 32 bits */

struct yw_passage {
    uint16_t arm_to_end_ms, end_to_cut_ms, closed_ms;
    uint8_t pauses;
    bool opened;
};

static uint32_t yw_deceleration(const struct yw_passage *passage, uint32_t speed)
{
    if (!passage->opened || passage->closed_ms <= passage->end_to_cut_ms) {
        return YW_USUAL;
    }
    uint32_t braked_ms = (uint32_t)passage->closed_ms - passage->end_to_cut_ms;
    uint32_t went = speed * passage->closed_ms, window = YW_WINDOW * UINT32_C(1000);
    uint32_t lost = went > window ? went - window : 0;
    if (lost > YW_LOST_MOST) {
        lost = YW_LOST_MOST;
    }
    uint32_t found = lost * 2000U / (braked_ms * braked_ms);
    return found < YW_LEAST ? YW_LEAST : found > YW_MOST ? YW_MOST : found;
}

/* The way from where the end sensor closed to rest, 0 to 32767. */
static int16_t yw_rest_reading(const struct yw_passage *passage)
{
    int32_t run = YW_RUN_WAY - (int32_t)passage->pauses * YW_PAUSE;
    uint32_t speed = (uint32_t)(run > 1 ? run : 1) * 1000U / ((uint32_t)passage->arm_to_end_ms + YW_SETTLE_MS);
    if (speed > UINT16_MAX) {
        speed = UINT16_MAX;
    }
    uint32_t rolled = speed * passage->end_to_cut_ms / 1000U;
    uint32_t twice = 2 * yw_deceleration(passage, speed);
    rolled += (speed * speed + twice / 2) / twice;
    if (!passage->opened && rolled > YW_WINDOW) {
        rolled = YW_WINDOW;
    }
    return rolled > INT16_MAX ? INT16_MAX : (int16_t)rolled;
}

#endif
