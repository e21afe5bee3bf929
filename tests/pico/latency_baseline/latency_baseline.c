/* The least that a firmware can do on this chip: each byte that comes in on the framed port goes back. The
 * baseline for how soon a marker's edge follows its packet. Linked with the port's own USB files. */
#include "board_internal.h"
#include "usb.h"

int main(void);

void serve_interrupt(void)
{
}

void usb_interrupt(void)
{
}

void begin_interrupt(void)
{
}

void let_markers_in(bool on)
{
    (void)on;
}

int main(void)
{
    const uint8_t serial[8] = {0}, name[16] = {0};
    uint8_t count;

    tick_start();
    clocks_start();
    descriptors_start(serial, name);
    usb_start();
    for (;;) {
        usb_serve();
        const uint8_t *bytes = ports_input(FRAMED, &count);
        ports_send(bytes, count);
        ports_taken(FRAMED, count);
        ports_serve();
        usb_look(false);
    }
}
