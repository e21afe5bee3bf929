/* Vendor and product number of the boxes with USB of their own. The firmware and the host library are built
 * from this line; boards/pico/README.md says who has to change it. */
#pragma once

enum { USB_VENDOR_ID = 0x1209, USB_PRODUCT_ID = 0x0001 };
