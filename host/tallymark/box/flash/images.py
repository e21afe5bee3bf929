"""Internal: the firmware images that come with the package.

`make firmware` puts them into the folder `images`, and a wheel has them from there. They are not in
the repository.
"""

from __future__ import annotations

from pathlib import Path

from tallymark.common.errors import BadValue

FILES = {"pico": "pico.uf2", "nano": "nano.hex"}
"""The image of each board."""


def image_for(board: str) -> Path:
    """The image of a board, by the name that its firmware gives itself. BadValue if there is
    none."""
    name = FILES.get(board)
    if name is None:
        raise BadValue(f"There is no image for a board '{board}', only for {' and '.join(FILES)}.")
    path = Path(__file__).parent / "images" / name
    if not path.exists():
        raise BadValue(
            f"This copy of the package was installed from its source and has no image for a "
            f"{board}. Build it with 'make firmware', or name an image: tallymark flash FILE."
        )
    return path
