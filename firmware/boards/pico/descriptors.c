/* What the device says of itself (USB 2.0 chapter 9; CDC 1.2 and its PSTN subclass; interface
 * associations; the binary object store, and Microsoft's descriptors in it, by which Windows gives the
 * boot loader interface a driver of its own). */
#include "usb.h"

#include "../usb_id.h"

#define WORD(value) (uint8_t)(value), (uint8_t)((value) >> 8)
#define LONG(value) WORD(value), WORD((value) >> 16)

#define RELEASE 0x0010 /* firmware 0.1.0 */

enum {
    DEVICE = 1,
    CONFIGURATION,
    STRING,
    INTERFACE,
    ENDPOINT,
    ASSOCIATION = 11,
    OBJECT_STORE = 15,
    CAPABILITY,
    CLASS_INTERFACE = 0x24
};
enum { TEXT_LANGUAGES, TEXT_MAKER, TEXT_PRODUCT, TEXT_SERIAL, TEXT_FRAMED, TEXT_BYTES, TEXT_BOOT_LOADER };

#define COMMUNICATION 2
#define ABSTRACT_CONTROL 2
#define DATA 10

static const uint8_t device[] = {
    18,
    DEVICE,
    WORD(0x0210),
    0xEF,
    2,
    1, /* functions are told apart by interface associations */
    PACKET,
    WORD(USB_VENDOR_ID),
    WORD(USB_PRODUCT_ID),
    WORD(RELEASE),
    TEXT_MAKER,
    TEXT_PRODUCT,
    TEXT_SERIAL,
    1,
};

#define SERIAL_PORT_LENGTH (8 + 9 + 5 + 5 + 4 + 5 + 7 + 9 + 7 + 7)
#define SERIAL_PORT(first, notice, bulk, text)                                                              \
    8, ASSOCIATION, first, 2, COMMUNICATION, ABSTRACT_CONTROL, 0, text,                                     \
    9, INTERFACE, first, 0, 1, COMMUNICATION, ABSTRACT_CONTROL, 0, text,                                    \
    5, CLASS_INTERFACE, 0, WORD(0x0120),     /* header */                                                   \
    5, CLASS_INTERFACE, 1, 0, (first) + 1,   /* no call management */                                       \
    4, CLASS_INTERFACE, 2, 2,                /* line coding and control line state */                       \
    5, CLASS_INTERFACE, 6, first, (first) + 1, /* union */                                                  \
    7, ENDPOINT, 0x80 | (notice), 3, WORD(10), 32,                                                          \
    9, INTERFACE, (first) + 1, 0, 2, DATA, 0, 0, 0,                                                         \
    7, ENDPOINT, bulk, 2, WORD(PACKET), 0,                                                                  \
    7, ENDPOINT, 0x80 | (bulk), 2, WORD(PACKET), 0

#define CONFIGURATION_LENGTH (9 + 2 * SERIAL_PORT_LENGTH + 9)

static const uint8_t configuration[] = {
    9, CONFIGURATION, WORD(CONFIGURATION_LENGTH), INTERFACES, 1, 0, 0x80, 50, /* from the bus, 100 mA */
    SERIAL_PORT(FRAMED_CONTROL, FRAMED_NOTICE, FRAMED_BULK, TEXT_FRAMED),
    SERIAL_PORT(BYTES_CONTROL, BYTES_NOTICE, BYTES_BULK, TEXT_BYTES),
    9, INTERFACE, BOOT_LOADER, 0, 0, 0xFF, 0, 0, TEXT_BOOT_LOADER,
};
_Static_assert(sizeof configuration == CONFIGURATION_LENGTH, "the length that the descriptor states");

/* By the interface's GUID a program finds it. Windows takes the value as a list, which ends with an empty
 * text. */
#define GUID_NAME u"DeviceInterfaceGUIDs"
#define GUID_LIST u"{DA778710-C2F8-4BD6-B531-2E4B0E26B2D7}\0"
#define GUID_LENGTH (8 + sizeof GUID_NAME + 2 + sizeof GUID_LIST)
#define MICROSOFT_LENGTH (10 + 8 + 8 + 20 + GUID_LENGTH)

static const struct {
    uint8_t sets[10 + 8 + 8];
    uint8_t driver[20];
    uint8_t property[8];
    uint16_t name[sizeof GUID_NAME / 2];
    uint8_t value[2];
    uint16_t list[sizeof GUID_LIST / 2];
} microsoft = {
    {WORD(10), WORD(0), LONG(0x06030000UL), WORD(MICROSOFT_LENGTH), /* set, for Windows 8.1 and later */
     WORD(8), WORD(1), 0, 0, WORD(MICROSOFT_LENGTH - 10),           /* in the first configuration */
     WORD(8), WORD(2), BOOT_LOADER, 0, WORD(MICROSOFT_LENGTH - 18)}, /* for this interface */
    {WORD(20), WORD(3), 'W', 'I', 'N', 'U', 'S', 'B'},
    {WORD(GUID_LENGTH), WORD(4), WORD(7), WORD(sizeof GUID_NAME)}, /* registry property, list of texts */
    GUID_NAME,
    {WORD(sizeof GUID_LIST)},
    GUID_LIST,
};
_Static_assert(sizeof microsoft == MICROSOFT_LENGTH, "the length that the descriptor states");

static const uint8_t object_store[] = {
    5, OBJECT_STORE, WORD(5 + 28), 1,
    28, CAPABILITY, 5, 0, /* platform, by this UUID: */
    0xDF, 0x60, 0xDD, 0xD8, 0x89, 0x45, 0xC7, 0x4C, 0x9C, 0xD2, 0x65, 0x9D, 0x9E, 0x64, 0x8A, 0x9F,
    LONG(0x06030000UL), WORD(MICROSOFT_LENGTH), REQUEST_MICROSOFT, 0,
};
_Static_assert(sizeof object_store == 5 + 28, "the length that the descriptor states");

static const uint8_t languages[] = {4, STRING, WORD(0x0409)};

static char serial_text[17];
static const uint8_t *box_name; /* 16 bytes, padded with zeros */

void descriptors_start(const uint8_t serial[8], const uint8_t *name)
{
    static const char digits[16] = "0123456789ABCDEF";

    for (int n = 0; n < 8; n++) {
        serial_text[2 * n] = digits[serial[n] >> 4];
        serial_text[2 * n + 1] = digits[serial[n] & 15];
    }
    box_name = name;
}

/* A text as the descriptor that holds it; `more`, if there is any, follows after a space. */
static const uint8_t *spell(const char *text, const uint8_t *more, uint16_t *length)
{
    static uint8_t spelt[2 + 2 * 32];
    uint8_t count = 0;

    for (; *text && count < 32; text++, count++)
        spelt[2 + 2 * count] = (uint8_t)*text;
    if (more && *more) {
        spelt[2 + 2 * count++] = ' ';
        for (int n = 0; n < 16 && more[n] && count < 32; n++, count++)
            spelt[2 + 2 * count] = more[n];
    }
    spelt[0] = (uint8_t)(2 + 2 * count);
    spelt[1] = STRING;
    *length = spelt[0];
    return spelt;
}

static const uint8_t *text(uint8_t index, uint16_t *length)
{
    switch (index) {
    case TEXT_LANGUAGES:
        *length = sizeof languages;
        return languages;
    case TEXT_MAKER:
        return spell("Tallymark", 0, length);
    case TEXT_PRODUCT:
        return spell("Tallymark box", box_name, length);
    case TEXT_SERIAL:
        return spell(serial_text, 0, length);
    case TEXT_FRAMED:
        return spell("Tallymark markers", 0, length);
    case TEXT_BYTES:
        return spell("Tallymark byte input", 0, length);
    case TEXT_BOOT_LOADER:
        return spell("Tallymark boot loader", 0, length);
    default:
        return 0;
    }
}

const uint8_t *descriptor(uint8_t type, uint8_t index, uint16_t *length)
{
    switch (type) {
    case DEVICE:
        *length = sizeof device;
        return index == 0 ? device : 0;
    case CONFIGURATION:
        *length = sizeof configuration;
        return index == 0 ? configuration : 0;
    case STRING:
        return text(index, length);
    case OBJECT_STORE:
        *length = sizeof object_store;
        return index == 0 ? object_store : 0;
    default:
        return 0; /* a full-speed device has no device qualifier */
    }
}

const uint8_t *descriptor_microsoft(uint16_t *length)
{
    *length = sizeof microsoft;
    return (const uint8_t *)&microsoft;
}
