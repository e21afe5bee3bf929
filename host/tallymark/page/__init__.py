"""The page: a box seen and worked from a browser on the same computer (`tallymark page`).

`server` is the web server: `access` decides who may use it, `actions` are the requests, `broadcast`
tells every open window what happens. A `Station` is one box with its byte port, its marker log and
its capture, all in this process. `static/` holds what the browser loads; nothing comes from
elsewhere.

It needs the extra `page`: pip install 'tallymark[page]'.
"""

from __future__ import annotations

__all__: list[str] = []
