/* The USB device, in four layers: usb.c moves packets, usb_control.c answers the standard and class
 * requests on endpoint 0, descriptors.c says what the device is, usb_serial.c turns packets into the bytes
 * of the two serial ports. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define PACKET 64u /* longest packet of every endpoint but the notification ones */

enum interface { FRAMED_CONTROL, FRAMED_DATA, BYTES_CONTROL, BYTES_DATA, BOOT_LOADER, INTERFACES };

/* Numbers of the endpoints. A port's notification endpoint exists because the class wants it; nothing is
 * ever sent on it. */
enum endpoint { CONTROL, FRAMED_NOTICE, FRAMED_BULK, BYTES_NOTICE, BYTES_BULK, ENDPOINTS };

struct setup { /* USB 2.0, 9.3 */
    uint8_t type;
    uint8_t request;
    uint16_t value;
    uint16_t index;
    uint16_t length;
};

/* Vendor requests, both to the device: restart into the boot loader, and Microsoft's descriptor
 * (descriptors.c). */
#define REQUEST_BOOT_LOADER 1
#define BOOT_LOADER_VALUE 0x544D
#define REQUEST_MICROSOFT 2
#define MICROSOFT_DESCRIPTOR_SET 7

/* usb.c */
void usb_start(void);
void usb_stop(void);
void usb_serve(void);
bool usb_serve_ports(void); /* frames, and packets of the ports; false, and nothing done, if there is more */
bool usb_is_quiet(void); /* nothing to serve */
/* often, or no frame is known well enough; `sleeps`: nothing is done until an interrupt comes */
void usb_look(bool sleeps);
void usb_set_address(uint8_t address);
void usb_configure(bool on);
void usb_halt(uint8_t address, bool halt);
bool usb_is_halted(uint8_t address);
bool usb_endpoint_exists(uint8_t address);
/* configured, not halted, no packet under way; for `in`: not late in a frame */
bool usb_is_free(uint8_t number, bool in);
/* one packet; the endpoint has to be free */
void usb_send(uint8_t number, const uint8_t *bytes, uint8_t count);
void usb_launch(uint8_t number, uint8_t count); /* the same for bytes that have been put into usb_packet() */
void usb_expect(uint8_t number);                                   /* one packet from the host */
void usb_retract(uint8_t number, bool in);                         /* takes an armed packet back */
volatile uint8_t *usb_packet(uint8_t number, bool in);             /* where its packets lie */
void usb_control_stall(void);
void usb_control_begin(void); /* a new control transfer: both directions start over with DATA1 */

/* usb_control.c */
void control_setup(const struct setup *setup);
void control_sent(void);
void control_received(const volatile uint8_t *bytes, uint8_t count);
void control_abandon(void); /* no more packets for the last request */
void control_reset(void);
bool control_wants_boot_loader(void);

/* descriptors.c: NULL where there is none. */
const uint8_t *descriptor(uint8_t type, uint8_t index, uint16_t *length);
const uint8_t *descriptor_microsoft(uint16_t *length);
void descriptors_start(const uint8_t serial[8], const uint8_t *name); /* of 16 bytes; read anew each time */

/* usb_serial.c */
enum port { FRAMED, BYTES, PORTS };

void ports_configured(void); /* the endpoints are there */
void ports_closed(void);     /* and now they are gone */
void ports_received(uint8_t number, const volatile uint32_t *packet, uint8_t count);
void ports_sent(uint8_t number);
void ports_retracted(uint8_t number); /* not sent: what was in the packet has to go into another one */
/* class request; *coding: bytes to read or to change */
bool ports_request(const struct setup *setup, uint8_t **coding);
void ports_serve(void);     /* these two: */
void ports_expect(void);    /* the next packets from the host, if there is a place for them */
void ports_hand_over(void); /* one to the host, if something waits */
/* the oldest bytes from the host, up to a packet */
const uint8_t *ports_input(enum port port, uint8_t *count);
void ports_taken(enum port port, uint8_t count);
bool ports_have_input(void);
uint16_t ports_room(void);
void ports_send(const uint8_t *bytes, uint8_t count);
/* The same in two parts: a place among what is sent, and what goes there, before the next packet. */
uint16_t ports_reserve(uint8_t count);
void ports_fill(uint16_t place, const uint8_t *bytes, uint8_t count);
bool ports_all_sent(void);
/* frames dropped since the last call, because the host closed the port before it took them */
uint16_t ports_unsent(void);
