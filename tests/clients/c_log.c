/* The session of test_client_logs.py with the client in C: WHERE LOG KIND. */
#include "tallymark_log.h"

#include <stdio.h>
#include <string.h>

static void pause_ms(tallymark *box, uint32_t ms)
{
    uint64_t until = tallymark_now_ns() + ms * 1000000ull;
    while (tallymark_now_ns() < until && tallymark_poll(box, 1) >= 0) {}
}

/* From the edge on, so that no marker is cut, however late this computer is. */
static void rest_ms(tallymark *box, unsigned ms)
{
    tallymark_wait_all(box);
    pause_ms(box, ms);
}

static void whole_session(tallymark *box)
{
    tallymark_pulse(box, 17);
    rest_ms(box, 30);
    tallymark_pulse_for(box, 96, 12000);
    rest_ms(box, 30);
    tallymark_set(box, 3);
    rest_ms(box, 30);
    tallymark_set(box, 3);
    rest_ms(box, 30);
    tallymark_set(box, 0);
    rest_ms(box, 30);
    tallymark_pulse_ahead(box, 9, &(tallymark_ahead){.after_us = 200000});
    tallymark_pulse_until(box, 5, 0, 1);
    rest_ms(box, 30);
    for (int code = 1; code <= 40; code++) {
        tallymark_pulse_for(box, code, 2000);
        rest_ms(box, 10u + (unsigned)code * 7 % 13);
    }
}

/* A marker that comes after its time, a sequence that starts at one, and a marker. */
static void late_and_sequence(tallymark *box)
{
    static const tallymark_step steps[] = {{2000, 1}, {2000, 2}};
    tallymark_clock now = {0};
    tallymark_read_clock(box, &now);
    tallymark_pulse_ahead(box, 5, &(tallymark_ahead){.at_us = now.box_time_us, .late_us = 60000000});
    rest_ms(box, 30);
    tallymark_sequence_ahead(box, steps, 2, 3, &(tallymark_ahead){.after_us = 100000});
    tallymark_sequence_wait(box, 5000, NULL);
    tallymark_pulse(box, 9);
    rest_ms(box, 30);
}

int main(int count, char **arguments)
{
    static tallymark box;
    static tallymark_log log;
    static const char *names[256] = {[17] = "ferry \"left\"", [96] = "f\xC3\xA4hrt ab"};
    if (count < 4 || tallymark_open(&box, arguments[1]) < 0) {
        fprintf(stderr, "%s\n", tallymark_text(&box));
        return 3;
    }
    if (tallymark_log_begin(&log, &box, arguments[2], names, NULL, NULL) < 0) {
        fprintf(stderr, "%s\n", tallymark_log_text(&log));
        return 4;
    }
    printf("open\n");
    fflush(stdout);
    if (!strcmp(arguments[3], "endless")) {
        for (unsigned code = 0; tallymark_pulse_for(&box, 1 + (int)(code % 255), 500) > 0; code++)
            pause_ms(&box, 2);
    } else if (!strcmp(arguments[3], "ahead")) {
        late_and_sequence(&box);
    } else if (!strcmp(arguments[3], "bytes")) {
        tallymark_totals totals = {0};
        while (totals.byte_markers == 0 && tallymark_poll(&box, 1) >= 0)
            tallymark_get_totals(&box, &totals);
        tallymark_pulse(&box, 2);
        rest_ms(&box, 10);
    } else {
        whole_session(&box);
    }
    tallymark_close(&box);
    int lost = tallymark_log_end(&log);
    if (lost)
        fprintf(stderr, "%s\n", tallymark_log_text(&log));
    return lost ? 5 : 0;
}
