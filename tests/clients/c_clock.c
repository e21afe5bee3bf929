/* The C client's estimate of the clocks, fed with round trips from standard input: see
 * clock_scenarios.py. Prints host time and bound, box time and bound of each instant asked for. */
#include "c_inside.h"

int main(void)
{
    static tallymark box;
    char word[16];
    (void)open_pair; /* no link here */
    while (scanf("%15s", word) == 1) {
        unsigned long long one = 0, two = 0, three = 0;
        tallymark_instant host, ahead;
        if (!strcmp(word, "board")) {
            CHECK(scanf("%llu", &one) == 1);
            box.identity.board = (uint8_t)one;
            reset_clock(&box);
            CHECK(tallymark_to_host(&box, 1, &host) == TALLYMARK_ERROR_BAD_VALUE);
            CHECK(tallymark_to_box(&box, 1, &host) == TALLYMARK_ERROR_BAD_VALUE);
        } else if (!strcmp(word, "trip")) {
            CHECK(scanf("%llu %llu %llu", &one, &two, &three) == 3);
            add_sample(&box.clock, one, two, three);
        } else {
            CHECK(scanf("%llu %llu", &one, &two) == 2);
            CHECK(tallymark_to_host(&box, one, &host) == 0);
            CHECK(tallymark_to_box(&box, two, &ahead) == 0);
            printf("%llu %llu %llu %llu\n", (unsigned long long)host.host_ns,
                   (unsigned long long)host.bound_ns, (unsigned long long)ahead.box_time_us,
                   (unsigned long long)ahead.bound_ns);
        }
    }
    return 0;
}
