/* Sends pulses of codes 1 and 2, in turn, through the C client and prints when: for each, nanoseconds of
 * CLOCK_MONOTONIC just before the call.
 *
 *     cc -O2 -Ihost/c tests/bench/way_c.c host/c/tallymark.c -o way_c
 *     ./way_c WHERE COUNT SPACING_US
 *
 * Exit code 0: all were done. */
#define _DEFAULT_SOURCE
#include "tallymark.h"

#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static uint64_t monotonic_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000 + (uint64_t)now.tv_nsec;
}

int main(int count, char **arguments)
{
    static tallymark box;
    if (count != 4) {
        fprintf(stderr, "way_c WHERE COUNT SPACING_US\n");
        return 2;
    }
    if (tallymark_open(&box, arguments[1]) < 0) {
        fprintf(stderr, "%s\n", tallymark_text(&box));
        return 3;
    }
    int pulses = atoi(arguments[2]);
    uint64_t spacing_ns = strtoull(arguments[3], NULL, 10) * 1000, next = monotonic_ns();
    for (int k = 0; k < pulses; k++) {
        next += spacing_ns;
        struct timespec until = {(time_t)(next / 1000000000), (long)(next % 1000000000)};
        while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) != 0) {}
        uint64_t before = next = monotonic_ns();
        if (tallymark_pulse(&box, 1 + k % 2) < 0)
            break;
        printf("%llu\n", (unsigned long long)before);
    }
    int not_done = tallymark_wait_all(&box);
    tallymark_totals totals;
    tallymark_get_totals(&box, &totals);
    if (not_done != 0)
        fprintf(stderr, "%s\n", tallymark_text(&box));
    tallymark_close(&box);
    return not_done != 0 || totals.done != (uint32_t)pulses;
}
