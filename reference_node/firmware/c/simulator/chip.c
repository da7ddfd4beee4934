#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_extint.h"
#include "avr_ioport.h"
#include "avr_timer.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_elf.h"
#include "sim_time.h"

#include "chip.h"

enum {MS_CYCLES = CHIP_HZ / 1000, LOOK_CYCLES = MS_CYCLES / 8, RAM_BEGINS = 0x100, HELD = 2 /* bytes that the receiver holds */, FAR_BEHIND_MS = 500};

DEFINE_FIFO(uint16_t, uart_fifo);

static avr_t *avr;
static avr_uart_t *uart;
static uint32_t ram_used; /* where the stack may grow down to */
static uint8_t painted[0x900];
static unsigned noise;
static int line = -1;
static char line_name[64];
static uint8_t coming[4096], going[4096];
static size_t coming_at, coming_end, going_end;
static avr_cycle_count_t born, line_free, look_at; /* born: a reset leaves the count of cycles as it is */
static struct timespec began;
static uint64_t ran_ms, behind_ms;
static unsigned overruns, unread, starts, deepest;

static void die(const char *what)
{
    fprintf(stderr, "simulator: %s\n", what);
    exit(2);
}

static uint8_t next_noise(void)
{
    noise = noise * 1103515245U + 12345U;
    return (uint8_t)(noise >> 16);
}

/* ------------------------------------------------------------ memory */

/* The stack has been as deep as the lowest byte that is not as it was painted. */
static unsigned stack_depth(void)
{
    uint32_t at = ram_used;
    while (at <= avr->ramend && avr->data[at] == painted[at]) {
        ++at;
    }
    return avr->ramend + 1U - at;
}

static void note_depth(void)
{
    unsigned depth = stack_depth();
    deepest = depth > deepest ? depth : deepest;
}

static void paint(void)
{
    for (uint32_t at = RAM_BEGINS; at <= avr->ramend; ++at) {
        painted[at] = avr->data[at] = next_noise();
    }
}

/* ------------------------------------------------------------ the line */

static void open_line(void)
{
    line = posix_openpt(O_RDWR | O_NOCTTY);
    if (line < 0 || grantpt(line) || unlockpt(line) || ptsname_r(line, line_name, sizeof line_name)) {
        die(strerror(errno));
    }
    int end = open(line_name, O_RDWR | O_NOCTTY); /* stays open, so that the other end may come and go */
    struct termios modes;
    if (end < 0 || tcgetattr(end, &modes)) {
        die(strerror(errno));
    }
    cfmakeraw(&modes);
    tcsetattr(end, TCSANOW, &modes);
    fcntl(line, F_SETFL, O_NONBLOCK);
}

static void said(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (going_end == sizeof going) {
        ++unread;
        return;
    }
    going[going_end++] = (uint8_t)value;
}

/* Nothing takes back what a wire carries: what nobody reads is gone. */
static void send_line(void)
{
    ssize_t sent = going_end ? write(line, going, going_end) : 0;
    if (sent < 0) {
        unread += (unsigned)going_end;
        going_end = 0;
    } else {
        going_end -= (size_t)sent;
        memmove(going, going + sent, going_end);
    }
}

/* Bytes come no faster than the receiver's rate, and one that finds no room is lost, as in the chip. */
static void receive_line(void)
{
    if (coming_at == coming_end) {
        if (avr->cycle < look_at) {
            return;
        }
        look_at = avr->cycle + LOOK_CYCLES;
        ssize_t got = read(line, coming, sizeof coming);
        coming_at = 0;
        coming_end = got > 0 ? (size_t)got : 0;
    }
    if (coming_at < coming_end && avr->cycle >= line_free) {
        uint8_t byte = coming[coming_at++];
        line_free = avr->cycle + uart->cycles_per_byte;
        if (uart_fifo_get_read_size(&uart->input) >= HELD) {
            ++overruns;
            return;
        }
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), byte);
    }
}

static void find_uart(void)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (!strcmp(io->kind, "uart")) {
            uart = (avr_uart_t *)io;
        }
    }
    if (!uart) {
        die("this simavr has no UART");
    }
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), said, NULL);
}

/* ------------------------------------------------------------ pins */

static avr_irq_t *pin_of(char port, uint8_t pin)
{
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin);
}

void chip_drive(char port, uint8_t pin, bool level)
{
    static uint8_t mask[26], value[26];
    uint8_t bit = (uint8_t)(1U << pin);
    mask[port - 'A'] |= bit;
    value[port - 'A'] = (uint8_t)(level ? value[port - 'A'] | bit : value[port - 'A'] & ~bit);
    avr_ioport_external_t external = {.name = (unsigned char)port, .mask = mask[port - 'A'], .value = value[port - 'A']};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
    avr_raise_irq(pin_of(port, pin), level);
}

static void changed(struct avr_irq_t *irq, uint32_t level, void *param)
{
    ((void (*)(uint8_t, bool))param)((uint8_t)irq->irq, level & 1);
}

void chip_watch(char port, uint8_t pin, void (*watch)(uint8_t pin, bool level))
{
    avr_irq_register_notify(pin_of(port, pin), changed, (void *)watch);
}

static void width_set(struct avr_irq_t *irq, uint32_t ticks, void *param)
{
    (void)irq;
    ((void (*)(uint32_t))param)(ticks);
}

void chip_watch_width(void (*watch)(uint32_t ticks))
{
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_OUT_PWM0), width_set, (void *)watch);
}

bool chip_is_output(char port, uint8_t pin)
{
    avr_ioport_state_t state;
    avr_ioctl(avr, AVR_IOCTL_IOPORT_GETSTATE(port), &state);
    return state.ddr >> pin & 1;
}

/* ------------------------------------------------------------ life */

static void no_sleep(avr_t *of, avr_cycle_count_t cycles)
{
    (void)of, (void)cycles;
}

static void no_words(avr_t *of, const int level, const char *format, va_list words)
{
    (void)of;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, words);
    }
}

void chip_power_cycle(void)
{
    note_depth();
    avr_reset(avr);
    for (uint8_t extint = 0; extint < 2; ++extint) {
        avr_extint_set_strict_lvl_trig(avr, extint, 0); /* nobody uses them, and looking at them costs half the time */
    }
    avr_regbit_set(avr, avr->reset_flags.porf);
    paint();
    line_free = look_at = 0;
    going_end = 0;
    ++starts;
    born = avr->cycle;
    ran_ms = 0;
    clock_gettime(CLOCK_MONOTONIC, &began);
}

void chip_start(const char *image, unsigned seed)
{
    elf_firmware_t firmware = {0};
    avr_global_logger_set(no_words);
    if (elf_read_firmware(image, &firmware)) {
        die("this image cannot be read");
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) {
        die("this simavr knows no ATmega328P");
    }
    avr_init(avr);
    avr->frequency = CHIP_HZ;
    avr_load_firmware(avr, &firmware);
    avr->frequency = CHIP_HZ;
    avr->sleep = no_sleep;
    ram_used = RAM_BEGINS + firmware.datasize + firmware.bsssize;
    noise = seed;
    open_line();
    find_uart();
    chip_power_cycle();
}

const char *chip_line(void)
{
    return line_name;
}

uint64_t chip_us(void)
{
    return (avr->cycle - born) / (CHIP_HZ / 1000000);
}

static int64_t ahead_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    int64_t passed = (int64_t)(now.tv_sec - began.tv_sec) * 1000000000 + (now.tv_nsec - began.tv_nsec);
    return (int64_t)ran_ms * 1000000 - passed;
}

void chip_run_ms(void)
{
    avr_cycle_count_t until = born + (ran_ms + 1) * MS_CYCLES;
    while (avr->cycle < until) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            die("the image has crashed or sleeps for ever");
        }
        receive_line();
    }
    send_line();
    ++ran_ms;
    if (ran_ms % 1000 == 0) {
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), next_noise() * 5U);
        if (stack_depth() >= avr->ramend + 1U - ram_used) {
            die("the stack has met the variables");
        }
    }
    int64_t ahead = ahead_ns();
    if (ahead > 0) {
        nanosleep(&(struct timespec){.tv_nsec = (long)ahead}, NULL);
    } else if (-ahead > (int64_t)FAR_BEHIND_MS * 1000000) { /* the host is too slow, or was stopped: no hurry afterwards */
        uint64_t behind = (uint64_t)(-ahead) / 1000000;
        behind_ms += behind;
        began.tv_sec += (time_t)(behind / 1000);
        began.tv_nsec += (long)(behind % 1000) * 1000000;
    }
}

void chip_tell(void)
{
    note_depth();
    printf("\"stack\": %u, \"variables\": %u, \"starts\": %u, \"overruns\": %u, \"unread\": %u, \"behind_ms\": %llu",
           deepest, ram_used - RAM_BEGINS, starts, overruns, unread, (unsigned long long)behind_ms);
}
