/* A track at the pins of berth.c for the ATmega328P: a train that a motor draws over two reed switches. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chip.h"

enum {ARMING = 2, END = 3, POWER = 4, MOTOR = 5, BENCH = 7};
enum {PERIOD_US = 8160 / 2};

/* Millimetres and seconds, of harlow-basin; `comes`: where the train begins, short of the arming sensor at 0. */
static const double comes = -150, length = 300, window = 14, full = 250, friction = 80, pull = 400;
static double run_way = 160, at, speed, duty;
static bool motor_power = true, bench, there;
static uint64_t rose_us, high_us, counted_us;

static void motor_changed(uint8_t pin, bool level)
{
    uint64_t now_us = chip_us();
    if (level && chip_is_output('D', pin)) {
        rose_us = now_us;
    } else if (rose_us) {
        high_us += now_us - rose_us;
        rose_us = 0;
    }
}

/* One magnet at the head of the train, which stands over a switch for as long as the window is wide. */
static bool over(double sensor)
{
    return there && at >= sensor && at < sensor + window;
}

static void drive_all(void)
{
    chip_drive('D', ARMING, !over(0));
    chip_drive('D', END, !over(run_way));
    chip_drive('D', POWER, !motor_power);
    chip_drive('D', BENCH, !bench);
}

static void powered_up(void)
{
    rose_us = high_us = counted_us = 0;
    duty = 0;
    drive_all();
}

static void attach(int count, char **words)
{
    if (count > 0) {
        run_way = atof(words[0]);
    }
    at = comes;
    chip_watch('D', MOTOR, motor_changed);
}

/* The motor draws the train up to a speed by its duty; without power it rolls out. */
static void advance(uint32_t us)
{
    double s = us / 1e6;
    uint64_t now_us = chip_us(), high = high_us + (rose_us ? now_us - rose_us : 0);
    if (now_us - counted_us >= PERIOD_US) {
        duty = (double)high / (double)(now_us - counted_us);
        counted_us = now_us;
        high_us = 0;
        rose_us = rose_us ? now_us : 0;
    }
    double wanted = motor_power ? duty * full : 0;
    speed = speed < wanted ? fmin(wanted, speed + pull * s) : fmax(wanted, speed - friction * s);
    at += there ? speed * s : 0;
    there = there && at < run_way + length;
    drive_all();
}

static bool command(const char *word, long value)
{
    if (!strcmp(word, "motor-power")) {
        motor_power = value != 0;
    } else if (!strcmp(word, "bench")) {
        bench = value != 0;
    } else if (!strcmp(word, "train")) { /* one comes, or is taken away */
        there = value != 0;
        at = comes;
    } else {
        return false;
    }
    drive_all();
    return true;
}

static void tell(void)
{
    printf("\"past_end\": %.2f, \"speed\": %.2f, \"duty\": %.3f", at - run_way, speed, duty);
}

const struct mechanism berth_mechanism = {"berth", attach, powered_up, advance, command, tell};
