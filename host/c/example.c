/* Part of the Ferry study: a ferry appears at the left or the right, the participant answers, and
 * each event becomes a marker.
 *
 *     cc -std=c11 example.c tallymark.c tallymark_log.c -o example        (Windows: add -lws2_32)
 *     ./example /dev/ttyACM0 session.jsonl
 *
 * Exit code 0: every marker was done; 1: some were not; 3: no box, or the connection broke. */
#include "tallymark_log.h"

#include <stdio.h>

enum { BLOCK_STARTS = 3, BLOCK_ENDS = 5, FERRY_AT_LEFT = 17, ANSWER_LEFT = 65 };

/* Stands for what your program does meanwhile; a real one calls tallymark_poll between screens. */
static void show_screen(tallymark *box, uint32_t for_ms)
{
    uint64_t until = tallymark_now_ns() + for_ms * 1000000ull;
    while (tallymark_now_ns() < until && tallymark_poll(box, 1) >= 0) {}
}

/* Called for each marker as soon as it is known what became of it. */
static void print_marker(void *file, const tallymark_marker *marker)
{
    char text[512];
    tallymark_describe(marker, text, sizeof text);
    fprintf(file, "%s\n", text);
}

int main(int count, char **arguments)
{
    static tallymark box;
    if (tallymark_open(&box, count > 1 ? arguments[1] : "/dev/ttyACM0") < 0) {
        fprintf(stderr, "%s\n", tallymark_text(&box));
        return 3;
    }
    static tallymark_log log;
    if (count > 2 && tallymark_log_begin(&log, &box, arguments[2], NULL, NULL, NULL) < 0) {
        fprintf(stderr, "%s\n", tallymark_log_text(&log));
        return 3;
    }
    tallymark_on_end(&box, print_marker, stdout);

    tallymark_pulse_for(&box, BLOCK_STARTS, 20000);
    for (int trial = 0; trial < 3; trial++) {
        show_screen(&box, 50);
        tallymark_pulse(&box, FERRY_AT_LEFT);
        show_screen(&box, 50);
        tallymark_pulse(&box, ANSWER_LEFT);
    }
    show_screen(&box, 50);
    tallymark_pulse_for(&box, BLOCK_ENDS, 20000);

    int not_done = tallymark_wait_all(&box);
    if (not_done != 0)
        fprintf(stderr, "%s\n", tallymark_text(&box));
    tallymark_close(&box);
    if (count > 2 && tallymark_log_end(&log) != 0)
        fprintf(stderr, "%s\n", tallymark_log_text(&log));
    return not_done < 0 ? 3 : not_done > 0;
}
