/* The C client against the vectors: a socket pair stands for the link, and the vectors for the box.
 *
 *     c_vectors FOLDER    prints how many rows were checked; says what is wrong, and exits 1 */
#include "c_inside.h"

#include <cjson/cJSON.h>

static int aheads, edges_told;

/* Messages: type, name, and the fields as name:bytes. */
static const struct layout {
    uint8_t type;
    const char *name, *fields;
} layouts[] = {
#define RECORD "name:16 width:4 gap:4 hold_limit:4 byte_baud:4 lines:1 idle:1 overlap:1 byte_mode:1 " \
    "strobe:1 probes:1 strobe_lead:2 strobe_hold:2 threshold_a:2 hysteresis_a:2 threshold_b:2 " \
    "hysteresis_b:2"
    {0x01, "identify", "major:1 minor:1"},
    {0x02, "clock", ""}, {0x03, "counters", ""}, {0x04, "levels", ""},
    {0x05, "fate", "asked:1"},
    {0x06, "restart", "into:1"}, {0x07, "session", "number:4"},
    {0x08, "fate_of_number", "number:4"},
    {0x10, "pulse", "code:1"},
    {0x11, "pulse_for", "code:1 width:4"},
    {0x12, "set", "code:1"},
    {0x13, "timed", "kind:1 code:1 width:4 at:4 expiry:4"},
    {0x14, "cancel", "number:4"},
    {0x18, "sequence_load", "index:2 code:1 hold:4"},
    {0x19, "sequence_start", "repeats:4"},
    {0x1A, "sequence_stop", ""}, {0x1B, "sequence_state", ""},
    {0x1C, "sequence_start_at", "repeats:4 at:4"},
    {0x20, "capture_start", "mode:1"},
    {0x21, "capture_fetch", "first:4"}, {0x22, "capture_stop", ""}, {0x28, "settings_read", ""},
    {0x29, "settings_write", RECORD},
    {0x2A, "settings_keep", ""}, {0x2B, "settings_factory", ""},
    {0x30, "probe_levels", ""}, {0x31, "snippet_take", "input:1 every:1"},
    {0x32, "snippet_read", "first:2"},
    {0x80, "done", "time:8"},
    {0x81, "done_noted", "time:8 lasted:4 delay:4 notes:1"},
    {0x82, "refused", "request:1 reason:1 detail:4"},
    {0x83, "identity", "major:1 minor:1 firmware:3 board:1 serial:8 cause:1 newest_tag:1 window:2 "
                       "history:1 longest_frame:1 steps:2 edges:2 least_width:4 longest_width:4 "
                       "name:16 session:4 capabilities:2 last_notice:1 places:1 least_lead:2"},
    {0x84, "counters", "time:8 frames:4 frames_broken:4 refused:4 markers:4 bytes:4 edges_lost:4 "
                       "messages_lost:4 input_lost:4 notices:4"},
    {0x85, "levels", "time:8 outputs:1 readback:1"},
    {0x86, "fate", "asked:1 outcome:1 code:1 reason:1 time:8 lasted:4 delay:4 notes:1 number:4"},
    {0x87, "sequence", "state:1 steps:2 repeats:4 played:4 started:8 ended:8"},
    {0x88, "edges", "first:4 lost:1 edges:0"},
    {0x89, "settings", "origin:1 kept:4 record:50"},
    {0x8A, "accepted", "number:4"},
    {0x8B, "probe_levels", "time:8 on:1 low_a:2 high_a:2 low_b:2 high_b:2"},
    {0x8C, "snippet", "time:8 interval:2 taken:2 first:2 samples:0"},
    {0xC0, "started", "major:1 minor:1 cause:1"},
    {0xC1, "sequence_ended", "time:8 played:4"},
    {0xC2, "edges", "first:4 lost:1 edges:0"},
    {0xC3, "byte_marker", "time:8 byte:1 reason:1 lasted:4 delay:4 notes:1"},
    {0xC4, "hold_ended", "time:8 code:1"},
    {0xC5, "marker_edge", "number:4 time:8 lasted:4 delay:4 notes:1 reason:1"},
    {0xC6, "probe_edges", "lost:1 edges:0"}};

static uint64_t number(const cJSON *fields, const char *name)
{
    const cJSON *found = cJSON_GetObjectItem(fields, name);
    if (cJSON_IsString(found))
        return strtoull(found->valuestring, NULL, 10);
    CHECK(cJSON_IsNumber(found));
    return (uint64_t)found->valuedouble;
}

static size_t from_hex(const char *text, uint8_t *bytes)
{
    size_t count = 0;
    unsigned byte;
    for (int used; sscanf(text, " %2x%n", &byte, &used) == 1; text += used)
        bytes[count++] = (uint8_t)byte;
    return count;
}

static size_t body_of(const char *fields, const cJSON *values, uint8_t *body)
{
    char name[32];
    int size, used;
    uint8_t *end = body;
    for (; sscanf(fields, " %31[a-z_]:%d%n", name, &size, &used) == 2; fields += used) {
        const cJSON *value = cJSON_GetObjectItem(values, name), *item;
        memset(end, 0, (size_t)size);
        if (strcmp(name, "serial") == 0) {
            CHECK(from_hex(value->valuestring, end) == 8);
        } else if (strcmp(name, "name") == 0) {
            memcpy(end, value->valuestring, strlen(value->valuestring));
        } else if (strcmp(name, "record") == 0) {
            CHECK(body_of(RECORD, value, end) == 50);
        } else if (strcmp(name, "edges") == 0 && size == 0) {
            cJSON_ArrayForEach(item, value)
                end += body_of(cJSON_GetObjectItem(item, "on") ? "time:8 source:1 on:1"
                                                               : "time:8 source:1 levels:1", item, end);
        } else if (strcmp(name, "samples") == 0) {
            cJSON_ArrayForEach(item, value) {
                put(end, (uint64_t)item->valueint, 2);
                end += 2;
            }
        } else if (cJSON_IsArray(value)) {
            for (int k = 0; k < size; k++)
                end[k] = (uint8_t)cJSON_GetArrayItem(value, k)->valueint;
        } else {
            put(end, number(values, name), size);
        }
        end += size;
    }
    return (size_t)(end - body);
}

struct row { /* a message of the vectors: its fields, its wire, and what the client read from it */
    const cJSON *fields;
    uint8_t type, tag, wire[80], body[64];
    size_t wire_length, body_length;
};

/* Reads a row, and checks that wire and fields are built and read as one another. False if it is
 * no message. */
static bool read_row(tallymark *box, const cJSON *json, struct row *row)
{
    static const char *const kinds[] = {"request", "answer", "notice"};
    static const uint8_t least[] = {0, 0x80, 0xC0};
    const char *name = NULL;
    int kind;
    for (kind = 0; kind < 3 && !name; kind++)
        name = cJSON_GetStringValue(cJSON_GetObjectItem(json, kinds[kind]));
    if (!name)
        return false;
    row->fields = cJSON_GetObjectItem(json, "fields");
    row->tag = (uint8_t)number(json, "tag");
    row->wire_length = from_hex(cJSON_GetObjectItem(json, "wire")->valuestring, row->wire);

    int length = 0;
    for (size_t k = 0; k < row->wire_length; k++) {
        CHECK(length == 0);
        length = take_byte(box, row->wire[k]);
    }
    CHECK(length >= 2);
    uint8_t marked = cJSON_IsTrue(cJSON_GetObjectItem(json, "in_session")) ? IN_SESSION : 0;
    row->type = box->stuffed[0] ^ marked;
    CHECK(box->stuffed[1] == row->tag);
    row->body_length = (size_t)length - 2;
    memcpy(row->body, box->stuffed + 2, row->body_length);

    uint8_t body[64], wire[WIRE_MOST];
    for (size_t k = 0; row->fields && k < sizeof layouts / sizeof layouts[0]; k++) {
        if (strcmp(layouts[k].name, name) || (layouts[k].type & 0xC0) != (least[kind - 1] & 0xC0))
            continue;
        CHECK(layouts[k].type == row->type);
        CHECK(body_of(layouts[k].fields, row->fields, body) == row->body_length);
        CHECK(memcmp(body, row->body, row->body_length) == 0);
        CHECK(make_frame(wire, row->type | marked, row->tag, body, row->body_length) == row->wire_length);
        CHECK(memcmp(wire, row->wire, row->wire_length) == 0);
        return true;
    }
    CHECK(row->type == 0x7F || row->body_length == 2); /* those that no box knows */
    return true;
}

/* The edges of a message, in parts of two where there are more: what has been taken before is in the
 * same answer again, and is not lost. */
static void check_edges(const struct row *row)
{
    static tallymark box;
    tallymark_edge edges[8] = {{0}};
    const cJSON *list = cJSON_GetObjectItem(row->fields, "edges"), *item;
    uint32_t first = (uint32_t)number(row->fields, "first");
    int all = cJSON_GetArraySize(list), taken, k = 0;
    cJSON_ArrayForEach(item, list) if (number(item, "source") != 0) return; /* of probes: see the last lines */
    memcpy(box.query.body, row->body, row->body_length);
    box.query.length = (uint8_t)row->body_length;
    box.capture_starts = 1;
    box.capture_lost = 0;
    box.capture_next = first - (uint32_t)number(row->fields, "lost");
    taken = take_edges(&box, edges, 8);
    if (first == 0 && all == 0) {
        CHECK(taken == TALLYMARK_ERROR_RESTARTED); /* a capture has its start at least */
        return;
    }
    CHECK(taken == all && box.capture_lost == number(row->fields, "lost"));
    CHECK(box.capture_next == first + (uint32_t)all);
    cJSON_ArrayForEach(item, list) {
        CHECK(edges[k].box_time_us == number(item, "time"));
        CHECK(edges[k++].levels == number(item, "levels"));
    }
    box.capture_next = first - 7; /* as if more had been lost on the link */
    CHECK(take_edges(&box, edges, 2) == (all < 2 ? all : 2));
    CHECK(box.capture_next == first + (uint32_t)(all < 2 ? all : 2));
    CHECK(box.capture_lost == number(row->fields, "lost") + 7);
    if (all == 0)
        return;
    box.query.body[EDGES_SIZE + 8] = 1; /* a source that is not known */
    box.capture_next = first;
    CHECK(take_edges(&box, edges, 8) == all - 1 && box.capture_next == first + (uint32_t)all);
    box.capture_next = first + 1; /* the box has begun anew */
    CHECK(take_edges(&box, edges, 8) == TALLYMARK_ERROR_RESTARTED);
}

/* What becomes of a marker by its fate, when box time `known_us` was known as it was sent. */
static const tallymark_marker *marker_by_fate(tallymark *box, const struct row *row,
                                              uint64_t known_us)
{
    uint8_t tag = row->body[0], question = tag_after(tag);
    memset(box, 0, sizeof *box);
    box->totals.sent = box->totals.open = 1;
    box->requests_open = 2;
    box->oldest_tag = box->aside_of = tag;
    box->last_tag = box->aside_tag = question;
    box->requests[tag] = (struct tallymark_request){
        .type = PULSE, .number = 1, .state = ASKED, .due_ns = NEVER, .after_us = known_us};
    box->requests[question].type = FATE;
    *marker_place(box, 1) = (tallymark_marker){
        .number = 1, .code = row->body[2], .cut_us = TALLYMARK_NONE_CUT};
    CHECK(!take_fate(box, row->type, row->body, row->body_length - 1));
    CHECK(take_fate(box, row->type, row->body, row->body_length));
    CHECK(box->aside_tag == 0);
    return marker_place(box, 1);
}

static void check_fate(const struct row *row)
{
    static tallymark box;
    const cJSON *fields = row->fields;
    struct tallymark_request *request = &box.requests[row->body[0]];
    const tallymark_marker *marker = marker_by_fate(&box, row, 0);
    uint64_t outcome = number(fields, "outcome"), time_us = number(fields, "time");
    if (outcome == 0 || outcome == 4) { /* 4: none of those that were given ahead */
        CHECK(marker->outcome == TALLYMARK_OPEN && request->state == DOUBTED && box.doubt);
        return;
    }
    if (outcome == 2) {
        CHECK(marker->outcome == TALLYMARK_OPEN && request->state == SENT && request->waits);
        return;
    }
    CHECK(marker->outcome == (outcome == 1 ? TALLYMARK_DONE : TALLYMARK_REFUSED));
    CHECK(marker->by_fate && marker->box_time_us == time_us);
    CHECK(marker->reason == number(fields, "reason"));
    CHECK(marker->cut_us == number(fields, "lasted"));
    CHECK(marker->delay_us == number(fields, "delay"));
    CHECK(marker->no_edge == number(fields, "notes"));
    marker_by_fate(&box, row, time_us + 1); /* of another run of the box */
    CHECK(marker->outcome == TALLYMARK_OPEN && request->state == DOUBTED && box.doubt);
    CHECK(marker_by_fate(&box, row, time_us)->outcome != TALLYMARK_OPEN);
}

/* What the client makes of the answers that it reads. */
static void check_structures(const struct row *row)
{
    const cJSON *fields = row->fields;
    tallymark_identity identity;
    tallymark_settings settings;
    tallymark_counters counters;
    tallymark_levels levels;
    tallymark_sequence_info sequence;
    uint8_t serial[8];
    switch (row->type) {
    case IDENTITY:
        read_identity(row->body, &identity);
        CHECK(identity.major == number(fields, "major"));
        CHECK(identity.minor == number(fields, "minor"));
        CHECK(identity.firmware[1] == 1 && identity.firmware[2] == 0);
        CHECK(identity.board == number(fields, "board"));
        from_hex(cJSON_GetObjectItem(fields, "serial")->valuestring, serial);
        CHECK(memcmp(identity.serial, serial, 8) == 0);
        CHECK(identity.cause == number(fields, "cause"));
        CHECK(identity.newest_tag == number(fields, "newest_tag"));
        CHECK(identity.session == number(fields, "session"));
        CHECK(identity.capabilities == number(fields, "capabilities"));
        CHECK(identity.last_notice == number(fields, "last_notice"));
        CHECK(identity.window == number(fields, "window"));
        CHECK(identity.history == number(fields, "history"));
        CHECK(identity.steps == number(fields, "steps"));
        CHECK(identity.edges == number(fields, "edges"));
        CHECK(identity.least_width_us == number(fields, "least_width"));
        CHECK(identity.longest_width_us == number(fields, "longest_width"));
        CHECK(!strcmp(identity.name, cJSON_GetObjectItem(fields, "name")->valuestring));
        break;
    case SETTINGS_ANSWER:
        read_settings(row->body, &settings);
        CHECK(settings.origin == number(fields, "origin"));
        CHECK(settings.kept == number(fields, "kept"));
        fields = cJSON_GetObjectItem(fields, "record");
        CHECK(!strcmp(settings.name, cJSON_GetObjectItem(fields, "name")->valuestring));
        CHECK(settings.width_us == number(fields, "width"));
        CHECK(settings.gap_us == number(fields, "gap"));
        CHECK(settings.hold_limit_us == number(fields, "hold_limit"));
        CHECK(settings.byte_baud == number(fields, "byte_baud"));
        CHECK(settings.lines == number(fields, "lines"));
        CHECK(settings.idle_high == number(fields, "idle"));
        CHECK(settings.overlap == number(fields, "overlap"));
        CHECK(settings.byte_mode == number(fields, "byte_mode"));
        CHECK(settings.strobe == number(fields, "strobe"));
        CHECK(settings.strobe_lead_us == number(fields, "strobe_lead"));
        CHECK(settings.strobe_hold_us == number(fields, "strobe_hold"));
        break;
    case COUNTERS_ANSWER:
        read_counters(row->body, &counters);
        CHECK(counters.box_time_us == number(fields, "time"));
        CHECK(counters.frames == number(fields, "frames"));
        CHECK(counters.frames_broken == number(fields, "frames_broken"));
        CHECK(counters.refused == number(fields, "refused"));
        CHECK(counters.markers == number(fields, "markers"));
        CHECK(counters.bytes == number(fields, "bytes"));
        CHECK(counters.edges_lost == number(fields, "edges_lost"));
        CHECK(counters.messages_lost == number(fields, "messages_lost"));
        CHECK(counters.input_lost == number(fields, "input_lost"));
        CHECK(counters.notices == number(fields, "notices"));
        break;
    case LEVELS_ANSWER:
        read_levels(row->body, &levels);
        CHECK(levels.box_time_us == number(fields, "time"));
        CHECK(levels.outputs == number(fields, "outputs"));
        CHECK(levels.readback == number(fields, "readback"));
        break;
    case SEQUENCE_ANSWER:
        read_sequence(row->body, &sequence);
        CHECK(sequence.state == number(fields, "state"));
        CHECK(sequence.steps == number(fields, "steps"));
        CHECK(sequence.repeats == number(fields, "repeats"));
        CHECK(sequence.played == number(fields, "played"));
        CHECK(sequence.started_us == number(fields, "started"));
        CHECK(sequence.ended_us == number(fields, "ended"));
        break;
    case FATE_ANSWER:
        check_fate(row);
        break;
    case EDGES_ANSWER:
        check_edges(row);
        break;
    default:
        break;
    }
}

/* cJSON reads numbers as doubles, which are too short for times above 2^53. */
static void quote_long_numbers(const char *text, char *quoted)
{
    static const char digits[] = "0123456789";
    while (*text) {
        size_t other = strcspn(text, digits), length = strspn(text + other, digits);
        bool is_long = length > 15 && text[other - 1] == ' ';
        quoted += sprintf(quoted, "%.*s%s%.*s%s", (int)other, text, is_long ? "\"" : "",
                          (int)length, text + other, is_long ? "\"" : "");
        text += other + length;
    }
}

static cJSON *read_json(const char *folder, const char *file)
{
    char path[512];
    static char text[1 << 20], quoted[1 << 20];
    snprintf(path, sizeof path, "%s/%s", folder, file);
    FILE *opened = fopen(path, "r");
    CHECK(opened != NULL);
    text[fread(text, 1, sizeof text - 1, opened)] = '\0';
    fclose(opened);
    quote_long_numbers(text, quoted);
    cJSON *rows = cJSON_Parse(quoted);
    CHECK(rows != NULL);
    return rows;
}

static int check_frames(tallymark *box, const char *folder)
{
    cJSON *rows = read_json(folder, "frames.json"), *json;
    int count = 0;
    cJSON_ArrayForEach(json, rows) {
        struct row row;
        row_name = cJSON_GetObjectItem(json, "name")->valuestring;
        CHECK(read_row(box, json, &row) && row.fields);
        check_structures(&row);
        count++;
    }
    cJSON_Delete(rows);
    return count;
}

static int check_broken(tallymark *box, const char *folder)
{
    static const uint8_t good[] = {0x06, 0x10, 0x07, 0x2A, 0x1C, 0xBC, 0x00};
    cJSON *rows = read_json(folder, "broken.json"), *json;
    int count = 0;
    cJSON_ArrayForEach(json, rows) {
        uint8_t wire[512];
        unsigned frames = 0, broken = 0;
        row_name = cJSON_GetObjectItem(json, "name")->valuestring;
        size_t length = from_hex(cJSON_GetObjectItem(json, "wire")->valuestring, wire);
        for (size_t k = 0; k < length; k++) {
            int read = take_byte(box, wire[k]);
            frames += read > 0;
            broken += read < 0;
        }
        CHECK(frames == number(json, "frames"));
        CHECK(broken == number(json, "frames_broken"));
        for (size_t k = 0; k < sizeof good; k++)
            CHECK(take_byte(box, good[k]) == (k == sizeof good - 1 ? 3 : 0));
        count++;
    }
    cJSON_Delete(rows);
    return count;
}

enum { START_AT = 0x1C }; /* of a sequence: the client has no function for it */

static bool is_marker(const struct row *row)
{
    return ((row->type == PULSE || row->type == SET) && row->body_length == 1)
        || (row->type == PULSE_FOR && row->body_length == 5)
        || (row->type == TIMED && row->body_length == 14)
        || (row->type == START_AT && row->body_length == 8);
}

/* A marker without an answer has made the client ask for its fate: that question is taken back, as
 * the dialogue goes on in another way. */
static void drop_question(tallymark *box, const uint8_t *own, size_t length)
{
    uint8_t wire[WIRE_MOST], of = box->aside_of;
    CHECK(of && box->requests[of].state == ASKED);
    CHECK(make_frame(wire, FATE, box->aside_tag, &of, 1) == length);
    CHECK(memcmp(wire, own, length) == 0);
    end_aside(box);
    box->requests[of].state = SENT;
    box->requests[of].waits = 1;
}

/* Has the client make the request, as a program would where it has a function for it. */
static void make_request(tallymark *box, int far_end, const struct row *row, const struct row *next)
{
    uint8_t wire[WIRE_MOST];
    box->last_tag = (uint8_t)(row->tag == 1 ? 255 : row->tag - 1);
    if (row->tag == 0) {
        size_t size = make_frame(wire, row->type, 0, row->body, row->body_length);
        CHECK(write_port(box, wire, size) && take_in(box, 0) == 0);
    } else if (is_marker(row) && row->type == PULSE && row->body[0]) {
        CHECK(tallymark_pulse(box, row->body[0]) > 0);
    } else if (is_marker(row) && row->type == PULSE_FOR && row->body[0]) {
        CHECK(tallymark_pulse_for(box, row->body[0], get32(row->body + 1)) > 0);
    } else if (is_marker(row) && row->type == SET) {
        CHECK(tallymark_set(box, row->body[0]) > 0);
    } else if (is_marker(row)) { /* what the public functions don't send */
        bool start = row->type == START_AT;
        uint8_t code = start ? 0 : row->body[row->type == TIMED];
        uint64_t at_us = next->type == ACCEPTED ? get32(row->body + (start ? 4 : 6)) : 0;
        CHECK(send_marker_at(box, row->type, code, row->body, row->body_length, at_us) > 0);
    } else if (row->type == SEQUENCE_START) {
        CHECK(send_marker(box, row->type, 0, row->body, row->body_length) > 0);
    } else {
        int result = exchange(box, row->type, row->body, row->body_length, next->type,
                              (uint8_t)next->body_length);
        CHECK(result == (next->type == NOT_DONE ? TALLYMARK_ERROR_REFUSED : 0));
        CHECK(memcmp(box->query.body, next->body, next->body_length) == 0);
        CHECK(box->query.length == next->body_length);
    }
    ssize_t length = read(far_end, wire, sizeof wire), own = length - (ssize_t)row->wire_length;
    CHECK(own >= 0 && memcmp(wire, row->wire, row->wire_length) == 0);
    CHECK((own > 0) == (box->aside_tag != 0));
    if (own > 0)
        drop_question(box, wire + row->wire_length, (size_t)own);
}

/* The marker ahead of which the box has told an edge, or its acceptance. */
static void check_ahead(tallymark *box, const struct row *row)
{
    const tallymark_marker *marker = NULL;
    for (uint32_t k = 1; k <= box->totals.sent; k++) {
        if (marker_place(box, k)->ahead_number == number(row->fields, "number"))
            marker = marker_place(box, k);
    }
    CHECK(marker);
    if (row->type == ACCEPTED) {
        aheads++;
        return;
    }
    edges_told++;
    CHECK(marker->outcome == (number(row->fields, "reason") ? TALLYMARK_REFUSED : TALLYMARK_DONE));
    CHECK(marker->reason == number(row->fields, "reason"));
    CHECK(marker->box_time_us == number(row->fields, "time"));
    CHECK(marker->reason || marker->box_time_us == marker->at_us);
    CHECK(marker->cut_us == number(row->fields, "lasted"));
    CHECK(marker->delay_us == number(row->fields, "delay"));
    CHECK(marker->no_edge == number(row->fields, "notes"));
}

static void check_marker(tallymark *box, const struct row *answer)
{
    const tallymark_marker *marker = NULL;
    if (answer->type == ACCEPTED || answer->type == MARKER_EDGE) {
        check_ahead(box, answer);
        return;
    }
    for (uint32_t k = 1; k <= box->totals.sent; k++) { /* the newest with that tag */
        if (marker_place(box, k)->tag == answer->tag)
            marker = marker_place(box, k);
    }
    if (answer->type == NOT_DONE && marker && answer->tag) {
        if (number(answer->fields, "reason") == REASON_TAG_REPEATED) {
            CHECK(marker->outcome == TALLYMARK_OPEN);
            CHECK(box->requests[answer->tag].waits); /* its fate was asked for, see above */
            end_marker(box, answer->tag, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_UNKNOWN);
            return;
        }
        CHECK(marker->outcome == TALLYMARK_REFUSED);
        CHECK(marker->reason == number(answer->fields, "reason"));
        CHECK(marker->detail == number(answer->fields, "detail"));
        CHECK(marker->reason != REASON_CANCELLED || marker->cut_us == marker->detail);
    } else if ((answer->type == DONE || answer->type == DONE_NOTED) && marker) {
        CHECK(marker->outcome == TALLYMARK_DONE);
        CHECK(marker->box_time_us == number(answer->fields, "time"));
        bool noted = answer->type == DONE_NOTED;
        CHECK(marker->cut_us == (noted ? number(answer->fields, "lasted") : TALLYMARK_NONE_CUT));
        CHECK(marker->delay_us == (noted ? number(answer->fields, "delay") : 0));
        CHECK(marker->no_edge == (noted ? number(answer->fields, "notes") : 0));
    }
}

/* Plays the box's part of one dialogue. What the box says behind a request is put on the link
 * before the client asks, and read after the request. Returns the messages. */
static int play(const cJSON *steps)
{
    static tallymark box, reader;
    static struct row rows[64];
    tallymark_totals expected = {0};
    int count = 0, far_end = open_pair(&box);
    const cJSON *json;
    cJSON_ArrayForEach(json, steps) {
        CHECK(count < 63);
        if (read_row(&reader, json, &rows[count]))
            check_structures(&rows[count++]);
    }
    memset(&rows[count], 0, sizeof rows[count]);
    for (int k = 0; k < count;) {
        int next = k + 1;
        bool is_request = rows[k].type < 0x80;
        for (int w = is_request ? next : k; w < count && rows[w].type >= 0x80; w++) {
            ssize_t length = (ssize_t)rows[w].wire_length;
            CHECK(write(far_end, rows[w].wire, (size_t)length) == length);
            expected.byte_markers += rows[w].type == BYTE_MARKER;
            expected.holds_ended += rows[w].type == HOLD_ENDED;
            expected.starts += rows[w].type == STARTED;
            next = w + 1;
        }
        int answer = k + 1; /* notices may come before it */
        while (is_request && answer + 1 < next && rows[answer].type >= STARTED)
            answer++;
        if (is_request)
            make_request(&box, far_end, &rows[k], &rows[answer]);
        else
            CHECK(take_in(&box, 0) == 0);
        box.is_known = 1; /* the dialogues need not be introduced again after a start */
        for (int w = k + is_request; w < next; w++) {
            if (is_request && !is_marker(&rows[k]) && rows[w].tag == rows[k].tag)
                continue; /* compared as the answer to a question */
            check_marker(&box, &rows[w]);
        }
        k = next;
    }
    CHECK(box.totals.byte_markers == expected.byte_markers);
    CHECK(box.totals.holds_ended == expected.holds_ended);
    CHECK(box.totals.starts == expected.starts);
    CHECK(box.totals.frames_broken == 0);
    close(far_end);
    close_port(&box);
    return count;
}

int main(int count, char **arguments)
{
    static tallymark box;
    int dialogues = 0, messages = 0;
    CHECK(count == 2);
    CHECK(crc((const uint8_t *)"123456789", 9) == (0xA819 ^ 0xFFFF));
    printf("frames %d\n", check_frames(&box, arguments[1]));
    printf("broken %d\n", check_broken(&box, arguments[1]));
    cJSON *rows = read_json(arguments[1], "dialogues.json"), *json;
    cJSON_ArrayForEach(json, rows) {
        row_name = cJSON_GetObjectItem(json, "name")->valuestring;
        messages += play(cJSON_GetObjectItem(json, "steps"));
        dialogues++;
    }
    cJSON_Delete(rows);
    printf("dialogues %d\nmessages %d\naccepted %d\nedges %d\n", dialogues, messages, aheads, edges_told);
    return 0;
}
