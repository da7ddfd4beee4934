/* A node on a serial line, as a process: node PORT CELLS [UPTIME]. CELLS is a file of six bytes for the number of the boot. A
 * hang-up signal is a power cycle.
 *
 * It writes as fast as PORT takes it; the line's rate is that of whatever is behind it. */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include "process.h"

enum {LOOP_MS = 1};

static int port;
static volatile sig_atomic_t cycled;

static void hang_up(int number)
{
    (void)number;
    cycled = 1;
}

static void take_what_came(void)
{
    uint8_t bytes[64];
    for (ssize_t got; (got = read(port, bytes, sizeof bytes)) > 0;) {
        for (ssize_t i = 0; i < got; ++i) {
            yw_line_take(bytes[i]);
        }
    }
}

/* As a UART with one byte to send: it waits, and what comes meanwhile is taken. */
void yw_line_put(uint8_t byte)
{
    while (write(port, &byte, 1) != 1) {
        if (errno != EAGAIN) {
            exit(0); /* unplugged */
        }
        take_what_came();
        poll(&(struct pollfd){.fd = port, .events = POLLOUT}, 1, LOOP_MS);
    }
}

int main(int count, char **words)
{
    if (count < 3) {
        return 2;
    }
    port = open(words[1], O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port < 0) {
        perror(words[1]);
        return 2;
    }
    process_start(words[2], count > 3 ? (uint32_t)strtoul(words[3], NULL, 10) : 0);
    signal(SIGHUP, hang_up);
    for (;;) {
        if (cycled) {
            execv("/proc/self/exe", words);
        }
        poll(&(struct pollfd){.fd = port, .events = POLLIN}, 1, LOOP_MS);
        take_what_came();
        yw_line_tick();
    }
}
