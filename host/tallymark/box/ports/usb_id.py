"""Vendor and product number of the boxes with USB of their own.

They come from firmware/boards/usb_id.h, from which the firmware is built, too: a maker who changes
that line builds the image and this package again.
"""

from tallymark.virtual._virtual import lib

VENDOR_ID: int = lib.USB_VENDOR_ID
PRODUCT_ID: int = lib.USB_PRODUCT_ID
