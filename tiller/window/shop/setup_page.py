"""The page on which the rack is set up: which card is chosen, the guided job that runs, what keys do. Draws nothing itself but by ``setup_sheet``."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from tiller.errors import FileFault, TillerError
from tiller.files import write_whole
from tiller.report.sheets.targets import SHEETS, sheet_pdf
from tiller.report.style import Units
from tiller.setup.field import Field
from tiller.setup.guided.cards import Card, cards_of, usual_lath_mm
from tiller.setup.guided.choice import choose_camera
from tiller.setup.guided.pictures import lens_job, rack_job, watch_camera
from tiller.setup.guided.talk import Moment, Talk, run
from tiller.setup.guided.weights import check_job, scale_job
from tiller.shop.sheets import open_in_viewer
from tiller.sources.found import Found

ADDRESS = Field(
    key="address",
    question="The camera's number, device or address (http://... of a phone as camera), or a video file",
    kind="text",
)


@dataclass(frozen=True, kw_only=True)
class Sources:
    """What the shop uses: the camera as it is opened, in words, whether it is there now, and all that are found; the scale, and the ports that one may be on."""

    camera: str
    camera_words: str
    camera_there: bool
    scale: str
    ports: tuple[str, ...]
    cameras: tuple[Found, ...] = ()


@dataclass(frozen=True)
class OneJob:
    """One guided job without the cards, and what it is called."""

    title: str
    job: Callable[[Talk], None]


class SetupPage:
    """The page's state.

    Args:
        home: the shop's folder; metric: units; sources: gives camera, scale and ports as they are now; use_camera, use_scale: keep another one;
            only: a job in place of the cards.
    """

    def __init__(
        self,
        home: Path,
        units: Units,
        sources: Callable[[], Sources],
        use_camera: Callable[[str], None],
        use_scale: Callable[[str], None],
        only: OneJob | None = None,
    ) -> None:
        self.home, self.units, self._sources = home, units, sources
        self._use_camera, self._use_scale = use_camera, use_scale
        self.at, self.message = 0, ""
        self._talk: Talk | None = None
        self._job: threading.Thread | None = None
        self._printing: threading.Thread | None = None
        self.cards: tuple[Card, ...] = _cards(self.rig, sources())
        self.title = only.title if only is not None else ""
        self._only = only is not None
        self.at = next((k for k, card in enumerate(self.cards) if card.state not in ("good", "works")), 0)

        if only is not None:
            self._start(only.job)

    @property
    def one_picture(self) -> bool:
        """One picture's own path is asked for, not its folder."""
        moment = self.moment
        return moment is not None and moment.question is not None and moment.question.kind == "picture"

    @property
    def rig(self) -> Path:
        """The rack's file."""
        return self.home / "rig.toml"

    @property
    def moment(self) -> Moment | None:
        """What the job shows, None without one."""
        return self._talk.moment if self._talk is not None else None

    @property
    def typing(self) -> bool:
        """Whether an answer is typed now (Enter alone and a touch are none)."""
        moment = self.moment
        return moment is not None and moment.question is not None and moment.question.kind not in ("enter", "touch")

    @property
    def _watching(self) -> bool:
        """Whether the camera's picture is only looked at."""
        moment = self.moment
        return (
            not self._only and moment is not None and moment.question is None and self.cards[self.at].name == "camera"
        )

    def refresh(self) -> None:
        """Reads the cards anew."""
        self.cards = _cards(self.rig, self._sources())

    def press(self, key: str) -> bool:
        """What a key does ('=' and a text: an answer); False where the page is left."""
        if self._talk is not None:
            self._in_job(key)
            return self._talk is not None or not self._only
        self.message = ""
        if key == "Escape":
            return False
        if key.startswith("#"):
            at = int(key[1:])
            if at == self.at:
                self._begin()
            self.at = at
        elif key in ("Up", "Down"):
            self.at = min(len(self.cards) - 1, max(0, self.at + (1 if key == "Down" else -1)))
        elif key == "Enter":
            self._begin()
        elif key == "P":
            self._print()
        elif key == "A":
            self.at = 0
            self._start(self._by_address)
        return True

    def leave(self, patience_s: float = 0.0) -> None:
        """Ends a job that runs, as soon as it looks up; waits for that no longer than given."""
        if self._talk is not None:
            self._talk.leave()
        if self._job is not None and patience_s > 0:
            self._job.join(patience_s)
        self._talk = None

    def _in_job(self, key: str) -> None:
        talk = self._talk
        if talk is None:
            return
        if key == "Escape":
            self.leave()
            self.refresh()
        elif key == "Enter" and (talk.moment.ended or self._watching):
            self.leave()
            self.refresh()
            self.at = min(len(self.cards) - 1, self.at + 1)
        elif key.startswith("="):
            talk.answer(key[1:])
        elif key.startswith("@"):
            self._touch(talk, key[1:])
        elif key == "Enter":
            talk.answer("")

    def _touch(self, talk: Talk, place: str) -> None:
        """A touch in the picture, as shares of its width and height."""
        moment = talk.moment
        if moment.question is None or moment.question.kind != "touch" or moment.picture is None:
            return
        x, y = (float(part) for part in place.split())
        high, wide = moment.picture.shape[:2]
        talk.answer(f"{x * wide:.1f} {y * high:.1f}")

    def _start(self, job: Callable[[Talk], None]) -> None:
        before = self._job

        def after_the_last(talk: Talk) -> None:
            if before is not None:  # a camera is one job's at a time
                talk.say("the work before is ended ...")
                before.join()
            job(talk)

        self._talk = Talk(self.units.metric)
        self._job = run(after_the_last, self._talk)

    def _begin(self) -> None:
        """Starts the chosen card's job, or says what it lacks."""
        card = self.cards[self.at]
        sources = self._sources()
        today, stamp = date.today().isoformat(), f"{datetime.now():%Y%m%d-%H%M%S}"
        kept = self.home / "calibration"
        if card.name in ("camera", "lens", "rack") and not sources.camera:
            self.message = "no camera is found: plug one in (C looks again), or give a phone's address (A)."
            return
        if card.name == "camera":
            several = len(sources.cameras) > 1
            self._start(
                choose_camera(sources.cameras, sources.camera, self._use_camera)
                if several
                else watch_camera(sources.camera)
            )
        elif card.name == "lens":
            self._start(lens_job(sources.camera, self.rig, today))
        elif card.name == "rack":
            self._start(rack_job(sources.camera, self.rig, kept / f"rack-{stamp}", today))
        elif card.name == "scale":
            ports = (sources.scale,) if sources.scale else sources.ports
            self._start(scale_job(ports, self.rig, kept / f"scale-{stamp}.csv", today, self._use_scale))
        else:
            done = {c.name for c in self.cards if c.state in ("good", "works", "due")}
            camera = sources.camera if "rack" in done else ""
            scale = sources.scale if "scale" in done else ""
            if not camera and not scale:
                self.message = "a check needs a measured rack and a camera, or a calibrated scale."
                return
            self._start(check_job(camera, scale, self.rig, today, usual_lath_mm(self.rig)))

    def _by_address(self, talk: Talk) -> None:
        where = str(talk.ask(ADDRESS, "Its picture is shown next; the other program of the phone must be running."))
        watch_camera(where, self._use_camera)(talk)

    def _print(self) -> None:
        """Writes the sheets to print and opens them in the system's viewer."""
        if self._printing is not None and self._printing.is_alive():
            return
        folder = self.home / "to-print"
        paper = "a4" if self.units.metric else "letter"

        def make() -> None:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                files = []
                for name in SHEETS:
                    files.append(folder / f"{name}-{paper}.pdf")
                    write_whole(files[-1], sheet_pdf(name, paper))
                said = f"{len(files)} sheets are in {folder}: print them at 100 % and measure their check bars."
                self.message = said
                try:
                    for path in files:
                        open_in_viewer(path)
                except FileFault:
                    self.message = f"{said} This system opens no viewer by itself: open them there."
            except OSError as err:
                self.message = f"{folder} could not be written ({err.strerror}): free some space."
            except TillerError as err:
                self.message = err.marked

        self._printing = threading.Thread(target=make, name="print", daemon=True)
        self._printing.start()


def _cards(rig: Path, sources: Sources) -> tuple[Card, ...]:
    return cards_of(rig, sources.camera_words, date.today(), sources.camera_there)
