"""The pull that is going on at the rack: its record, its track, its points."""

from __future__ import annotations

from tiller.rack.recorder import PullRecorder


class PullUnderWay:
    """The pull that is going on; used by the analysing thread alone."""

    def __init__(self, kept_mm: float = float("nan")) -> None:
        self.recorder: PullRecorder | None = None
        self.track: list[tuple[float, float]] = []
        self.points: list[tuple[float, float]] = []
        self.kept_mm = kept_mm
        self.lines_to_s = float("-inf")
        self.fault_told = ""
