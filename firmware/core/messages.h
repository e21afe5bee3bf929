/* The numbers of protocol version 2. protocol/PROTOCOL.md is the specification; a test compares the two. */
#pragma once

#define PROTOCOL_MAJOR 2
#define PROTOCOL_MINOR 0

#define FRAME_LONGEST 64                    /* type, tag, body and CRC, before stuffing */
#define FRAME_HEAD 2                        /* type and tag */
#define FRAME_CRC 2
#define BODY_LONGEST (FRAME_LONGEST - FRAME_HEAD - FRAME_CRC)
#define WIRE_LONGEST (FRAME_LONGEST + 2)    /* stuffed, with the closing zero */

enum request_type {
    REQUEST_IDENTIFY = 0x01,
    REQUEST_CLOCK = 0x02,
    REQUEST_COUNTERS = 0x03,
    REQUEST_LEVELS = 0x04,
    REQUEST_FATE = 0x05,
    REQUEST_RESTART = 0x06,
    REQUEST_SESSION = 0x07,
    REQUEST_FATE_OF_NUMBER = 0x08,

    REQUEST_PULSE = 0x10,
    REQUEST_PULSE_FOR = 0x11,
    REQUEST_SET = 0x12,
    REQUEST_TIMED = 0x13,
    REQUEST_CANCEL = 0x14,

    REQUEST_SEQUENCE_LOAD = 0x18,
    REQUEST_SEQUENCE_START = 0x19,
    REQUEST_SEQUENCE_STOP = 0x1A,
    REQUEST_SEQUENCE_STATE = 0x1B,
    REQUEST_SEQUENCE_START_AT = 0x1C,

    REQUEST_CAPTURE_START = 0x20,
    REQUEST_CAPTURE_FETCH = 0x21,
    REQUEST_CAPTURE_STOP = 0x22,

    REQUEST_SETTINGS_READ = 0x28,
    REQUEST_SETTINGS_WRITE = 0x29,
    REQUEST_SETTINGS_KEEP = 0x2A,
    REQUEST_SETTINGS_FACTORY = 0x2B,

    REQUEST_PROBE_LEVELS = 0x30,
    REQUEST_SNIPPET_TAKE = 0x31,
    REQUEST_SNIPPET_READ = 0x32
};

/* Added to the type of what the box sends while a session is in force; never to identity and started, which
 * are the same in all versions. */
#define MESSAGE_IN_SESSION 0x20

enum answer_type {
    ANSWER_DONE = 0x80,
    ANSWER_DONE_NOTED = 0x81,
    ANSWER_REFUSED = 0x82,
    ANSWER_IDENTITY = 0x83,
    ANSWER_COUNTERS = 0x84,
    ANSWER_LEVELS = 0x85,
    ANSWER_FATE = 0x86,
    ANSWER_SEQUENCE = 0x87,
    ANSWER_EDGES = 0x88,
    ANSWER_SETTINGS = 0x89,
    ANSWER_ACCEPTED = 0x8A,
    ANSWER_PROBE_LEVELS = 0x8B,
    ANSWER_SNIPPET = 0x8C
};

enum notice_type { /* unasked; the tag is a number that counts them */
    NOTICE_STARTED = 0xC0,
    NOTICE_SEQUENCE_ENDED = 0xC1,
    NOTICE_EDGES = 0xC2,
    NOTICE_BYTE_MARKER = 0xC3,
    NOTICE_HOLD_ENDED = 0xC4,
    NOTICE_MARKER_EDGE = 0xC5,
    NOTICE_PROBE_EDGES = 0xC6
};

enum reason { /* why a request was refused; the comment says what the detail is */
    REASON_NONE = 0,
    REASON_UNKNOWN_REQUEST = 1,  /* 0 */
    REASON_WRONG_LENGTH = 2,     /* length of body that the request has */
    REASON_VERSION = 3,          /* major version of the box */
    REASON_TAG_ZERO = 4,         /* 0 */
    REASON_TAG_REPEATED = 5,     /* the newest tag */
    REASON_OUTSIDE_LINES = 6,    /* lines in use */
    REASON_WIDTH_RANGE = 7,      /* the limit that was passed, microseconds */
    REASON_OVERLAP = 8,          /* microseconds until the earlier pulse ends */
    REASON_WAITING = 9,          /* microseconds until the waiting marker goes out */
    REASON_PLAYING = 10,         /* 0 */
    REASON_SEQUENCE_ORDER = 11,  /* the index that comes next */
    REASON_SEQUENCE_FULL = 12,   /* steps that the box holds */
    REASON_SEQUENCE_EMPTY = 13,  /* 0 */
    REASON_SEQUENCE_LONG = 14,   /* most repeats for this many steps */
    REASON_VALUE_RANGE = 15,     /* offset in the body of the field that is out of range */
    REASON_LINES_BUSY = 16,      /* microseconds until the gap is over; 0: the lines are not idle */
    REASON_STORE_FAILED = 17,    /* 0 */
    REASON_UNSUPPORTED = 18,     /* offset in the body of the field that asks for it */
    REASON_CANCELLED = 19,       /* how long the pulse lasted that the marker had cut, or NO_CUT */
    REASON_BYTES_OFF = 20,       /* 0 */
    REASON_NO_MARKER = 21,       /* 0 */
    REASON_LATE = 22,            /* microseconds by which it would have been late */
    REASON_TAKEN = 23,           /* microseconds until the marker goes out that is in its way; 0: it is out */
    REASON_PLACES = 24           /* markers ahead that the box holds */
};

enum outcome { FATE_UNKNOWN = 0, FATE_DONE = 1, FATE_WAITING = 2, FATE_REFUSED = 3, FATE_ACCEPTED = 4 };

enum sequence_state {
    SEQUENCE_EMPTY = 0,
    SEQUENCE_LOADED = 1,
    SEQUENCE_PLAYING = 2,
    SEQUENCE_ENDED = 3,
    SEQUENCE_STOPPED = 4,
    SEQUENCE_WAITS = 5 /* for its time */
};

enum edge_source {
    SOURCE_READBACK = 0,
    SOURCE_LIGHT_LEVEL = 1, /* this one and the next: by the level of analog input A, B */
    SOURCE_SOUND_LEVEL = 2,
    SOURCE_LIGHT_EDGE = 3, /* by a comparator on the board */
    SOURCE_SOUND_EDGE = 4,
    SOURCE_TTL = 5
};
enum analog_input { INPUT_LIGHT = 0, INPUT_SOUND = 1 };
enum probe_bit { /* bits of the settings: which are watched, each the source with the next number; and how */
    PROBES_LIGHT_LEVEL = 0x01,
    PROBES_SOUND_LEVEL = 0x02,
    PROBES_LIGHT_EDGE = 0x04,
    PROBES_SOUND_EDGE = 0x08,
    PROBES_TTL = 0x10,
    PROBES_TTL_LOW = 0x20,      /* it is on while it is low */
    PROBES_LIGHT_STEADY = 0x40 /* a short dark is not the end of a light level */
};
#define PROBES_ANALOG 0x43  /* those of the capability */
#define PROBES_DIGITAL 0x3C /* likewise */
enum capture_mode { CAPTURE_KEEP = 0, CAPTURE_SEND = 1 };
enum settings_origin { ORIGIN_FACTORY = 0, ORIGIN_SLOT_A = 1, ORIGIN_SLOT_B = 2, ORIGIN_OTHER_VERSION = 3 };
enum timed_kind { TIMED_PULSE = 0, TIMED_SET = 1 };
enum idle_level { IDLE_LOW = 0, IDLE_HIGH = 1 };
enum overlap { OVERLAP_CUT = 0, OVERLAP_REFUSE = 1 };
enum byte_mode { BYTES_OFF = 0, BYTES_PULSE = 1, BYTES_SET = 2, BYTES_LIMITED = 3 };

enum capability { /* bits of a set: what a box can do beyond what all can */
    CAPABILITY_BOOT_LOADER = 0x01,  /* restart into it on request */
    CAPABILITY_READBACK = 0x02,
    CAPABILITY_BYTE_PORT = 0x04,    /* byte input on a port of its own */
    CAPABILITY_BYTE_SERIAL = 0x08,  /* byte input in place of the framed port, by a jumper */
    CAPABILITY_AHEAD = 0x10,        /* markers ahead of their time */
    CAPABILITY_STROBE = 0x20,
    CAPABILITY_DIGITAL = 0x40,      /* digital inputs */
    CAPABILITY_ANALOG = 0x80,       /* analog inputs */
    CAPABILITY_START_AT = 0x100     /* a sequence ahead of its time */
};

enum note { NOTE_NO_EDGE = 0x01 }; /* bits: what else there is to say of a marker that went out */

#define NO_CUT UINT32_MAX            /* `lasted` where no pulse was cut */
#define LONGEST_TIME 3600000000UL    /* longest width, hold time and hold limit: one hour, in microseconds */
#define LONGEST_GAP 1000000UL        /* one second */
#define LEAST_HOLD_LIMIT 1000UL      /* one millisecond */
#define LEAST_BYTE_BAUD 1200UL
#define HIGHEST_BYTE_BAUD 1000000UL
#define TAGS_AHEAD 127               /* how far ahead of the newest tag one can be */
#define EDGES_IN_FRAME 5             /* most edges in one answer or notice */
#define SNIPPET_IN_FRAME 23           /* most samples in one answer */
