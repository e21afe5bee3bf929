"""The virtual box: the real firmware core, compiled for this computer.

- `VirtualBox` is the box itself; its time stands still until somebody moves it.
- `virtual://` is a pyserial URL for a port with a box behind it, in real or in stepped time
  (module `protocol_virtual`).
- `Server` offers a box to other programs, on a pseudo-terminal or on a loopback TCP port.

What is not modelled: the bytes need no time on the wire, and the lines change at exactly the
microsecond that the core asked for.
"""

from tallymark.virtual.virtual_box import DEFAULT_SERIAL, VirtualBox
from tallymark.virtual.server import Server

__all__ = ["DEFAULT_SERIAL", "Server", "VirtualBox"]
