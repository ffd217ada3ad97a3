"""Which camera looks at the rack: a picture of each that is found, beside each other, to be touched."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.errors import SourceFault, TillerError
from tiller.setup.field import Field
from tiller.setup.guided.pictures import opened, watch_camera
from tiller.setup.guided.talk import Dot, Talk
from tiller.sources.found import Found
from tiller.sources.interfaces import Ended, Image

TILE = (480, 270)
"""Width and height of each picture, px."""
GREY = 70
"""Of a camera that gives no picture, of 255."""
WHICH = Field(
    key="which",
    question="Touch the picture of the camera that looks at the rack (Enter: the one that is used now)",
    kind="touch",
)


def tiles(pictures: Sequence[Image | None]) -> tuple[NDArray[np.uint8], int]:
    """Pictures beside and under each other, each whole in a field of ``TILE``, grey where there is none; and how many stand in a row."""
    columns = math.ceil(math.sqrt(len(pictures)))
    rows = math.ceil(len(pictures) / columns)
    wide, high = TILE
    sheet = np.full((rows * high, columns * wide, 3), GREY, dtype=np.uint8)
    for k, picture in enumerate(pictures):
        if picture is None:
            continue
        scale = min(wide / picture.shape[1], high / picture.shape[0])
        size = (max(1, round(scale * picture.shape[1])), max(1, round(scale * picture.shape[0])))
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        row, column = divmod(k, columns)
        y, x = row * high + (high - size[1]) // 2, column * wide + (wide - size[0]) // 2
        sheet[y : y + size[1], x : x + size[0]] = small
    return sheet, columns


def touched(x: float, y: float, columns: int, count: int) -> int | None:
    """Which of ``count`` pictures was touched at x, y px of the sheet; None beside them."""
    column, row = int(x // TILE[0]), int(y // TILE[1])
    k = row * columns + column
    return k if 0 <= column < columns and row >= 0 and k < count else None


def choose_camera(cameras: Sequence[Found], used: str, use: Callable[[str], None]) -> Callable[[Talk], None]:
    """Shows what each camera sees, by its name; the one that is touched is used from then on, and looked at.

    Args:
        cameras: those that are found; used: the one that is used now; use: gets another one once it has given a picture.
    """

    def job(talk: Talk) -> None:
        pictures: list[Image | None] = []
        names = []
        for k, camera in enumerate(cameras):
            talk.say(f"camera {k + 1} of {len(cameras)} is opened: {camera.words} ...")
            try:
                pictures.append(_one_picture(camera.where))
                names.append(f"{k + 1}: {camera.words}{', used now' if camera.where == used else ''}")
            except SourceFault as err:
                pictures.append(None)
                names.append(f"{k + 1}: {camera.words}: {err.marked}")
            sheet, columns = tiles([*pictures, *[None] * (len(cameras) - len(pictures))])
            dots = tuple(
                Dot(
                    (j % columns + 0.06) * TILE[0], (j // columns + 0.2) * TILE[1], f"{j + 1} {cameras[j].name}".strip()
                )
                for j in range(len(pictures))
            )
            talk.show(picture=sheet, dots=dots, found=tuple(names))

        def read(text: str) -> str:
            if not text.strip():
                return used
            x, y = (float(part) for part in text.split())
            k = touched(x, y, columns, len(cameras))
            if k is None:
                msg = "there is no camera's picture there: touch one of them, or Enter."
                raise TillerError(msg)
            if pictures[k] is None:
                msg = f"camera {k + 1} gives no picture: touch another, or plug it in again and begin anew."
                raise TillerError(msg)
            return cameras[k].where

        where = str(talk.ask_as(WHICH, read, "Their names stand below."))
        talk.show(dots=(), found=(), picture=None)
        watch_camera(where, use if where != used else lambda _: None)(talk)

    return job


def _one_picture(where: str) -> Image:
    """A camera's picture; it is closed again.

    Raises:
        SourceFault: it gives none.
    """
    camera, _ = opened(where)
    camera.open()
    try:
        shot = camera.read()
    finally:
        camera.close()
    if isinstance(shot, Ended):
        msg = f"'{where}' gives no picture: choose another camera."
        raise SourceFault(msg)
    return shot.image
