/* The C client against noise. */
#include "c_inside.h"

static uint64_t notices_lost;

/* Random bytes, and frames of random bytes with a good CRC, while all kinds of requests are on
 * their way: nothing may break, and the accounts stay balanced. */
static void fuzz(unsigned seed)
{
    static tallymark box;
    static const uint8_t answers[] = {DONE, DONE_NOTED, NOT_DONE, IDENTITY, COUNTERS_ANSWER,
                                      LEVELS_ANSWER, FATE_ANSWER, SEQUENCE_ANSWER, EDGES_ANSWER,
                                      SETTINGS_ANSWER, STARTED, SEQUENCE_ENDED, BYTE_MARKER};
    static const uint8_t lengths[] = {8, 17, 6, 55, 44, 10, 21, 27, 15, 55, 3, 12, 19, 0, 1, 60};
    uint8_t bytes[400];
    int lost_starts = 0;
    int far_end = open_pair(&box);
    srand(seed);
    row_name = "noise";
    for (int round = 0; round < 3000; round++) {
        lost_starts += box.begins_again;
        box.is_known = 1;
        box.begins_again = box.unanswered = 0; /* nobody would answer an introduction */
        while (box.totals.open < 8 && fits(&box, 7))
            CHECK(tallymark_set(&box, rand() % 256) > 0);
        if (!box.query.tag && rand() % 2) {
            box.query.type = LEVELS;
            box.query.answer = answers[round % 10];
            box.query.answer_length = lengths[round % 10];
            box.query.tag = (uint8_t)send_request(&box, LEVELS, NULL, 0, 0);
        }
        if (!box.aside_tag && box.totals.open && rand() % 4 == 0) {
            uint8_t tag = box.oldest_tag;
            while (!box.requests[tag].number)
                tag = tag_after(tag);
            ask_fate(&box, tag);
        }
        size_t length = 1 + (size_t)rand() % 200;
        for (size_t k = 0; k < length; k++)
            bytes[k] = (uint8_t)(rand() % (rand() % 2 ? 256 : 8));
        if (rand() % 4) {
            int type = rand() % 20 ? rand() % 10 : rand() % 13, fits_type = rand() % 4;
            bytes[0] = rand() % 2 ? SET : box.aside_of;
            bytes[1] &= 0x07;
            if (answers[type] == IDENTITY) {
                bytes[0] = MAJOR;
                put(bytes + 48, rand() % 8 ? box.session : 0, 4);
            }
            length = make_frame(bytes + 100, answers[type], (uint8_t)(box.last_tag - rand() % 12),
                                bytes, lengths[fits_type ? type : rand() % 16]);
            memmove(bytes + 1, bytes + 100, length++);
            bytes[0] = 0; /* closes the noise before it */
            bytes[rand() % (int)length] ^= (uint8_t)(rand() % 3 == 0);
        }
        CHECK(write(far_end, bytes, length) == (ssize_t)length);
        CHECK(take_in(&box, 0) == 0);
        for (int tag = 0; round % 8 == 0 && tag < 256; tag++)
            if (box.requests[tag].state != DOUBTED)
                box.requests[tag].due_ns = 0;
        look_after(&box);
        while (read(far_end, bytes, sizeof bytes) == (ssize_t)sizeof bytes) {}
        const tallymark_totals *totals = &box.totals;
        CHECK(totals->sent == totals->open + totals->done + totals->refused + totals->unconfirmed);
        uint32_t wires = 0, open = 0;
        for (int tag = 0; tag < 256; tag++) {
            wires += box.requests[tag].wire;
            open += box.requests[tag].type != 0;
        }
        CHECK(wires == box.in_flight && open == box.requests_open);
    }
    CHECK(box.totals.done && box.totals.refused && box.totals.unconfirmed);
    CHECK(box.totals.frames_broken && box.totals.strays && box.totals.starts);
    CHECK(lost_starts);
    close(far_end);
    notices_lost += box.totals.notices_lost;
    CHECK(tallymark_poll(&box, 100) == TALLYMARK_ERROR_GONE && box.totals.open == 0);
}

int main(void)
{
    for (unsigned seed = 1; seed <= 20; seed++)
        fuzz(seed);
    CHECK(notices_lost);
    return 0;
}
