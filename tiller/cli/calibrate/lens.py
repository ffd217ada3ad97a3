"""``tiller calibrate lens``: the camera's lens."""

from __future__ import annotations

import argparse
from pathlib import Path

from tiller.cli.calibrate.shared import check_bar, draw, rig_path


def run_lens(args: argparse.Namespace) -> int:
    """``tiller calibrate lens``."""
    from datetime import date

    from tiller.errors import TillerError
    from tiller.report.plots.calibration import lens_plot
    from tiller.report.sheets.targets import lens_board_points
    from tiller.report.text.calibration import lens_words
    from tiller.setup.capture import capture_lens, pictures_in
    from tiller.setup.guided.keep import lens_fault
    from tiller.setup.rig_writer import put_lens
    from tiller.sources.cameras import camera_of
    from tiller.vision.rig.lens import (
        BLUR_SHARE,
        SeenCorners,
        calibrate_lens,
        see_chessboard,
        see_lens_board,
        worth_taking,
    )

    if bool(args.camera) == bool(args.pictures):
        msg = "give --camera (it takes pictures by itself when the board is held still) or --pictures FOLDER."
        raise TillerError(msg)
    if not args.chessboard:
        check_bar(args.bar)
    if not 8 <= args.wanted <= 200:
        msg = f"--wanted is {args.wanted}: 8 to 200 pictures."
        raise TillerError(msg)
    board, _ = lens_board_points()
    if args.pictures:
        images = pictures_in(Path(args.pictures))
        size = (images[0][1].shape[1], images[0][1].shape[0])
        if args.chessboard:
            inner = _pair(args.chessboard, "--chessboard")
            if not args.square or args.square <= 0:
                msg = "--chessboard needs --square: the side of its squares in mm."
                raise TillerError(msg)
            seen = [see_chessboard(image, inner, args.square) for _, image in images]
        else:
            seen = [see_lens_board(image, board) for _, image in images]
        if not any(v is not None for v in seen) and any(see_lens_board(i[:, ::-1].copy(), board) for _, i in images):
            msg = (
                "the pictures are mirrored: switch the mirror picture off in the camera's settings and take them again."
            )
            raise TillerError(msg)
        views: list[SeenCorners] = []
        sharpest = max((v.sharpness for v in seen if v is not None), default=0.0)
        for (name, _), view in zip(images, seen, strict=True):
            if view is None:
                why = "no board in view (glare on it? another board?)"
            elif view.sharpness < BLUR_SHARE * sharpest:
                why = "blurred"
            else:
                why = worth_taking(view, views, size[0])
            if why or view is None:
                print(f"{name}: not used: {why}")
            else:
                views.append(view)
    else:
        size = _pair(args.size, "--size")
        print(
            "Hold the lens board before the camera, tilted this way and that, near and far, into every corner; hold it still for a moment each time."
        )
        views = capture_lens(
            camera_of(args.camera, size), board, size, args.wanted, lambda text: print(text, flush=True)
        )
    found = calibrate_lens(views, size)
    print(lens_words(found))
    if lens_fault(found):
        raise TillerError(lens_fault(found))
    if not args.dry:
        path = rig_path(args)
        put_lens(path, found.lens, date.today().isoformat(), found.rim_sd_px)
        print(
            f"[camera] written into {path}: it holds for this camera at {size[0]}x{size[1]} with this focus and zoom only."
        )
    if args.plot:
        draw(args.plot, lens_plot(found))
    return 0


def _pair(text: str, name: str) -> tuple[int, int]:
    from tiller.errors import TillerError

    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdigit() and int(p) > 1 for p in parts):
        msg = f"{name} is '{text}': two whole numbers with an x between are expected."
        raise TillerError(msg)
    return int(parts[0]), int(parts[1])
