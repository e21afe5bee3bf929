/* The C client's frames, built and read by the program that Windows runs. Each line of the input is a row
 * of the vectors, all in hexadecimal: "wire unstuffed" of a message (type, tag, body and CRC), or
 * "wire * FRAMES BROKEN" with how many good and broken frames are in it.
 *
 * Prints how many rows of each kind were right; says which is wrong, and exits 1. */
#include "tallymark.c"

static size_t bytes_of(const char *text, uint8_t *bytes)
{
    size_t count = 0;
    unsigned byte;
    for (; sscanf(text, "%2x", &byte) == 1; text += 2)
        bytes[count++] = (uint8_t)byte;
    return count;
}

static bool message_is_right(tallymark *box, const uint8_t *wire, size_t size, const uint8_t *message,
                             size_t length)
{
    uint8_t made[WIRE_MOST];
    int read = 0;
    for (size_t k = 0; k < size; k++) {
        if (read != 0)
            return false;
        read = take_byte(box, wire[k]);
    }
    return read == (int)length - 2 && memcmp(box->stuffed, message, length - 2) == 0
        && make_frame(made, message[0], message[1], message + 2, length - 4) == size
        && memcmp(made, wire, size) == 0;
}

static bool counts_are_right(tallymark *box, const uint8_t *wire, size_t size, unsigned good, unsigned bad)
{
    unsigned frames = 0, broken = 0;
    for (size_t k = 0; k < size; k++) {
        int read = take_byte(box, wire[k]);
        frames += read > 0;
        broken += read < 0;
    }
    return frames == good && broken == bad;
}

int main(void)
{
    static char line[4096], first[2048], second[2048];
    static uint8_t wire[1024], message[1024];
    unsigned good, bad, messages = 0, streams = 0;
    while (fgets(line, sizeof line, stdin)) {
        static tallymark box;
        memset(&box, 0, sizeof box);
        int fields = sscanf(line, "%2047s %2047s %u %u", first, second, &good, &bad);
        size_t size = bytes_of(first, wire);
        bool right = fields == 2 ? message_is_right(&box, wire, size, message, bytes_of(second, message))
                                 : fields == 4 && counts_are_right(&box, wire, size, good, bad);
        if (!right) {
            printf("wrong: %s", line);
            return 1;
        }
        *(fields == 2 ? &messages : &streams) += 1;
    }
    printf("%u %u\n", messages, streams);
    return 0;
}
