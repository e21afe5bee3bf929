"""The virtual box: the real firmware core, compiled for this computer.

- `VirtualBox` is the box itself; its time stands still until it is advanced.
- `virtual://` is a pyserial URL for a port with a box behind it, in real or in stepped time
  (module `protocol_virtual`).
- `Server` offers a box to other programs, on a pseudo-terminal or on a loopback TCP port.

What is not modelled: the bytes need no time on the wire, and the lines change at exactly the
microsecond that the core asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tallymark.virtual.server import Server
    from tallymark.virtual.virtual_box import DEFAULT_SERIAL, VirtualBox

__all__ = ["DEFAULT_SERIAL", "Server", "VirtualBox"]


def __getattr__(name: str) -> Any:
    """Imports a public name, and with it the compiled core, when it is first used (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module 'tallymark.virtual' has no attribute '{name}'")
    module = "server" if name == "Server" else "virtual_box"
    return getattr(import_module(f"tallymark.virtual.{module}"), name)
