"""The page: a box seen and worked from a browser on the same computer (`tallymark page`).

`server` is the web server: `access` decides who may use it, and every open window is told what
happens. A `Station` is one box with its byte port, its marker log and its capture, all in this
process. `recording_checks` runs the check of recordings that windows bring, in a process of its
own. `static/` holds what the browser loads; nothing comes from elsewhere.

It needs the packages of the extra `page`.
"""

from __future__ import annotations

__all__: list[str] = []
