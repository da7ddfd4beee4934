/* A board in the simulator: simulator IMAGE SEED CONTROL MECHANISM [WORDS...]
 *
 * Prints the path of the serial line, and then a line of JSON for each line that comes from CONTROL, a FIFO: `tell`,
 * `power-cycle`, or a word of the mechanism and a value such as `motor-power 0`. A hang-up signal is a power cycle too. */
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chip.h"

static volatile sig_atomic_t cycled;

static void hang_up(int number)
{
    (void)number;
    cycled = 1;
}

static void power_cycle(const struct mechanism *at)
{
    chip_power_cycle();
    at->powered_up();
}

/* Does what one line says. */
static void obey(const struct mechanism *at, char *line)
{
    char *word = strtok(line, " "), *value = strtok(NULL, " ");
    bool known = word != NULL;
    if (known && !strcmp(word, "power-cycle")) {
        power_cycle(at);
    } else if (known && strcmp(word, "tell")) {
        known = value && at->command(word, strtol(value, NULL, 10));
    }
    printf("{\"known\": %s, ", known ? "true" : "false");
    chip_tell();
    printf(", ");
    at->tell();
    printf("}\n");
}

/* Reads lines without waiting. */
static void listen(int control, const struct mechanism *at)
{
    static char text[256];
    static size_t size;
    ssize_t got = read(control, text + size, sizeof text - 1 - size);
    size += got > 0 ? (size_t)got : 0;
    text[size] = 0;
    for (char *end; (end = strchr(text, '\n')) != NULL;) {
        *end = 0;
        size_t rest = size - (size_t)(end + 1 - text);
        obey(at, text);
        memmove(text, end + 1, rest + 1);
        size = rest;
    }
}

int main(int count, char **words)
{
    static const struct mechanism *const known[] = {&crane_mechanism, &berth_mechanism};
    const struct mechanism *at = NULL;
    for (size_t i = 0; count > 4 && i < sizeof known / sizeof known[0]; ++i) {
        at = strcmp(known[i]->name, words[4]) ? at : known[i];
    }
    if (!at) {
        fprintf(stderr, "usage: simulator IMAGE SEED CONTROL crane|berth [WORDS...]\n");
        return 2;
    }
    int control = open(words[3], O_RDWR | O_NONBLOCK); /* to write as well: whoever talks may come and go */
    if (control < 0) {
        perror(words[3]);
        return 2;
    }
    setvbuf(stdout, NULL, _IOLBF, 0);
    signal(SIGHUP, hang_up);
    chip_start(words[1], (unsigned)strtoul(words[2], NULL, 10));
    at->attach(count - 5, words + 5);
    at->powered_up();
    printf("%s\n", chip_line());
    for (;;) {
        listen(control, at);
        if (cycled) {
            cycled = 0;
            power_cycle(at);
        }
        chip_run_ms();
        at->advance(1000);
    }
}
