"""Contact sheets: small finished pictures side by side, labelled."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]

GAP_PX = 8
_MARGIN_PX = 64
_PAPER, _INK = (32, 32, 32), (232, 232, 232)
_FONT_PX, _SMALL_PX = 20, 13


def contact_sheet(
    tiles: list[list[Picture]], columns: list[tuple[str, str]], rows: list[tuple[str, str]]
) -> Picture:
    """Return a sheet (H×W×3) of `tiles`, a list of rows of pictures of one size.

    Columns have a heading and a line below it, rows a label and a line below it. The paper is a dark
    grey, so that it does not change how bright the pictures look.
    """
    from PIL import Image, ImageDraw, ImageFont

    high, wide = tiles[0][0].shape[:2]
    left = max(_MARGIN_PX, 10 + 9 * max(len(text) for row in rows for text in row))
    across, down = wide + GAP_PX, high + GAP_PX
    top = _FONT_PX + 4 * _SMALL_PX + 2 * GAP_PX
    sheet = Image.new("RGB", (left + across * len(columns), top + down * len(rows)), _PAPER)
    pen = ImageDraw.Draw(sheet)
    large, small = (ImageFont.load_default(size) for size in (_FONT_PX, _SMALL_PX))

    def write(x: int, y: int, heading: str, line: str, width: int) -> None:
        pen.text((x, y), heading, fill=_INK, font=large)
        letters = max(int(width / (_SMALL_PX * 0.5)), 8)
        told = "\n".join(textwrap.wrap(line, letters)[:3])
        pen.text((x, y + _FONT_PX + 4), told, fill=_INK, font=small)

    for place, (heading, line) in enumerate(columns):
        write(left + across * place, GAP_PX, heading, line, wide)
    for number, (row, (heading, line)) in enumerate(zip(tiles, rows, strict=True)):
        write(GAP_PX, top + down * number, heading, line, left)
        for place, tile in enumerate(row):
            sheet.paste(Image.fromarray(tile), (left + across * place, top + down * number))
    return np.asarray(sheet)


def eight_bits(samples: NDArray[Any], height: int, width: int) -> Picture:
    """Return 16-bit R'G'B' samples of one frame as an 8-bit picture (H×W×3)."""
    picture = samples.reshape(height, width, 3).astype(np.float32)
    return np.asarray((picture * (255.0 / 65535.0) + 0.5).astype(np.uint8))
