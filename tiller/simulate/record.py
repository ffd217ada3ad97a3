"""Writes recordings of simulated pulls, with their truth beside them."""

from __future__ import annotations

import csv
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import crowned_section
from tiller.bow.tomlwrite import toml
from tiller.simulate.bowmaker import BowTruth, LimbTruth
from tiller.simulate.camera import TrueCamera, make_camera
from tiller.simulate.render import Painter, Scenery, Setting, TrueFiducial
from tiller.simulate.serial import TrueCell, stream
from tiller.simulate.shoot import Shooter, TrueShape
from tiller.simulate.shop import WEBCAM_QUALITY, Trouble

Array = NDArray[np.float64]
HYSTERESIS = 0.055
RELAXATION = 0.008
GOOD_LIGHT = Setting()


@dataclass(frozen=True, kw_only=True)
class Plan:
    """How a simulated pull is made.

    Attributes:
        largest_mm: largest draw; None = 85 % of the bow's target.
        pictures: drawn pictures on the way up; three more follow on the way down.
        faults: serial faults.
        seed: everything random hangs on it.
        measured_errors: rig.toml and bow.toml carry the errors of tape, caliper and calibration.
        session: the same rack another time: other noise, grain of the pictures, tape and caliper errors.
        occluder: x, y, radius (mm) of something in front of the bow; broken: pictures cut off, by index.
    """

    largest_mm: float | None = None
    pictures: int = 18
    faults: tuple[str, ...] = ()
    seed: int = 0
    measured_errors: bool = True
    rate_hz: float = 80.0
    size: tuple[int, int] = (1920, 1080)
    above: bool = False
    occluder: tuple[float, float, float] | None = None
    broken: tuple[int, ...] = ()
    quality: int = 90
    hysteresis: float = HYSTERESIS
    session: int = 0


def scenery_for(plan: Plan, setting: Setting, rng: np.random.Generator) -> Scenery:
    """A rack at random: camera, fiducials, planes."""
    camera = make_camera(rng, plan.size, plan.above)
    places = ((-760, 222), (766, 214), (-634, -532), (652, -545), (356, 228))
    side = float(rng.uniform(100, 120))
    fiducials = tuple(
        TrueFiducial(
            i, x + rng.normal(0, 6), y + rng.normal(0, 6), float(rng.choice([0, 90, 180])) + rng.normal(0, 0.8), side
        )
        for i, (x, y) in enumerate(places)
    )
    plane = float(rng.uniform(65, 110))
    return Scenery(
        camera=camera,
        fiducials=fiducials,
        dictionary=str(rng.choice(["DICT_APRILTAG_36h11", "DICT_4X4_50"])),
        hook_id=20,
        hook_side_mm=float(rng.uniform(50, 62)),
        hook_offset_mm=(0.8, 58.0),
        hook_z_mm=plane + 14.0,
        plane_z_mm=plane,
        setting=setting,
    )


def make_even(bow: BowTruth, largest_mm: float, rounds: int = 3) -> BowTruth:
    """The bow without its spots thinned and thickened until its strain at the largest draw is even, then the spots put in again."""
    from tiller.simulate.bowmaker import with_spot

    bare = replace(
        bow,
        left=replace(bow.left, thickness_mm=bow.left.even_thickness_mm),
        right=replace(bow.right, thickness_mm=bow.right.even_thickness_mm),
    )
    for _ in range(rounds):
        shooter = Shooter(bare, 48)
        rest, drawn = shooter.rest(), shooter.at(largest_mm)
        limbs = {}
        for side in ("left", "right"):
            limb = bare.limb(side)
            bend = getattr(drawn, f"{side}_curvature") - getattr(rest, f"{side}_curvature")
            strain = bend * 1e-3 * crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm).to_back_mm
            inside = (limb.s_mm >= limb.bend_from_mm) & (limb.s_mm <= limb.bend_to_mm)
            aim = float(np.median(strain[inside]))
            share = np.ones_like(strain)
            share[inside] = np.sqrt(np.clip(strain[inside] / aim, 0.7, 1.4))
            first, last = np.flatnonzero(inside)[[0, -1]]
            share[:first] = 1 + (share[first] - 1) * np.clip((limb.s_mm[:first] - 55) / 40, 0, 1)
            thick = limb.thickness_mm * share
            thick[last:] = thick[last]
            limbs[side] = replace(limb, thickness_mm=thick, even_thickness_mm=thick.copy())
        bare = replace(bare, left=limbs["left"], right=limbs["right"])
    out = {"left": bare.left, "right": bare.right}
    for spot in bow.spots:
        out[spot.limb] = with_spot(out[spot.limb], spot)
    return replace(bow, left=out["left"], right=out["right"])


def toml_bow(bow: BowTruth, plan: Plan, rng: np.random.Generator) -> str:
    """bow.toml of a simulated bow, with the errors of tape and caliper."""
    err = 1.0 if plan.measured_errors else 0.0
    limbs = {}
    for side in ("left", "right"):
        limb = bow.limb(side)
        length, stations = round(limb.length_mm + err * rng.normal(0, 0.7)), []
        for s in np.linspace(112, limb.length_mm - 14, 7) + err * rng.uniform(-8, 8, 7):
            width = np.interp(s, limb.s_mm, limb.width_mm) + err * rng.normal(0, 0.15)
            thick = np.interp(s, limb.s_mm, limb.thickness_mm) + err * rng.normal(0, 0.1)
            stations.append({"s_mm": round(s), "width_mm": round(width, 1), "thickness_mm": round(thick, 1)})
        limbs[side] = {
            "length_mm": length,
            "handle_mm": bow.handle_mm,
            "fade_mm": limb.bend_from_mm - bow.handle_mm,
            "stations": stations,
        }
    return toml(
        {
            "name": bow.name,
            "wood": bow.wood,
            "upper_limb": "left",
            "limbs": limbs,
            "string": {"kind": bow.string_kind, "length_mm": round(bow.string_mm)},
            "target": {
                "draw_length_mm": round(bow.draw_mm),
                "draw_weight_n": round(bow.weight_n),
                "brace_height_mm": round(bow.brace_mm),
                "shape": "even-strain",
            },
        }
    )


def toml_rig(scenery: Scenery, cell: TrueCell, plan: Plan, rng: np.random.Generator) -> str:
    """rig.toml of a simulated rack, with the errors of its calibration."""
    err = 1.0 if plan.measured_errors else 0.0
    camera: TrueCamera = scenery.camera
    fx, fy = (f * (1 + err * rng.normal(0, 0.001)) for f in camera.focal)
    cx, cy = (c + err * rng.normal(0, 2.0) for c in camera.centre)
    k1, k2, p1, p2, k3 = camera.distortion
    k1, k2 = k1 + err * rng.normal(0, 0.002), k2 + err * rng.normal(0, 0.01)
    plane = round(scenery.plane_z_mm + err * rng.normal(0, 1.0), 1)
    lens = {
        "image_size": [int(side) for side in camera.size],
        "matrix": [[round(fx, 3), 0.0, round(cx, 3)], [0.0, round(fy, 3), round(cy, 3)], [0.0, 0.0, 1.0]],
        "distortion": [round(k, 7) for k in (k1, k2, p1, p2, k3)],
    }
    fiducials = []
    for fid in scenery.fiducials:
        side = round(fid.side_mm + err * rng.normal(0, 0.15), 1)
        centre = [round(fid.x + err * rng.normal(0, 0.6), 1), round(fid.y + err * rng.normal(0, 0.6), 1), 0.0]
        turned = round(fid.rotation_deg + err * rng.normal(0, 0.2), 1)
        row = {"dictionary": scenery.dictionary, "id": fid.id, "side_mm": side, "centre_mm": centre}
        fiducials.append(row | {"rotation_deg": turned})
    return toml(
        {
            "bow_plane_z_mm": plane,
            "camera": lens,
            "fiducials": fiducials,
            "hook": {
                "dictionary": scenery.dictionary,
                "id": scenery.hook_id,
                "side_mm": round(scenery.hook_side_mm, 1),
                "offset_mm": list(scenery.hook_offset_mm),
                "hook_z_mm": round(scenery.hook_z_mm + err * rng.normal(0, 0.7), 1),
            },
            "load_cell": {
                "counts_per_newton": round(cell.counts_per_newton * (1 + err * rng.normal(0, 0.001)), 2),
                "zero_counts": round(cell.zero_counts + err * rng.normal(0, 2500)),
            },
        }
    )


def _limb_truth(limb: LimbTruth, rest: Array, drawn: Array) -> dict[str, Any]:
    bend = drawn - rest
    to_back = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm).to_back_mm
    return {
        "length_mm": limb.length_mm,
        "bend_from_mm": limb.bend_from_mm,
        "bend_to_mm": limb.bend_to_mm,
        "s_mm": limb.s_mm.tolist(),
        "width_mm": limb.width_mm.tolist(),
        "thickness_mm": limb.thickness_mm.tolist(),
        "EI_n_m2": limb.ei_n_m2.tolist(),
        "crown_radius_mm": limb.crown_radius_mm,
        "rest_curvature_per_m": rest.tolist(),
        "drawn_curvature_per_m": drawn.tolist(),
        "bend_per_m": bend.tolist(),
        "surface_strain": (1e-3 * bend * to_back).tolist(),
        "even_thickness_mm": limb.even_thickness_mm.tolist(),
    }


def write_recording(folder: Path, bow: BowTruth, plan: Plan, setting: Setting = GOOD_LIGHT) -> dict[str, Any]:
    """Writes one recording and its truth.json, all of it or nothing; returns the truth.

    Raises:
        FileExistsError: the folder exists already and is not empty.
        NoEquilibriumError: the bow cannot be drawn that far.
    """
    if folder.exists() and any(folder.iterdir()):
        msg = f"{folder} exists and is not empty: a recording is never rewritten; give a new folder."
        raise FileExistsError(msg)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{folder.name}.") as making:
        part = Path(making) / folder.name
        truth = _write(part, bow, plan, setting)
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    return truth


def _write(folder: Path, bow: BowTruth, plan: Plan, setting: Setting) -> dict[str, Any]:
    rng = np.random.default_rng(plan.seed)
    scenery = scenery_for(plan, setting, rng)
    largest = plan.largest_mm or 0.85 * bow.draw_mm
    shooter = Shooter(bow)
    rest = shooter.rest()
    first = shooter.taut_draw() + 2.0
    ups = np.linspace(first, largest, plan.pictures)
    if plan.session:
        rng = np.random.default_rng([plan.seed, plan.session])
    ups[1:-1] += rng.uniform(-4, 4, plan.pictures - 2)
    downs = np.array([0.83, 0.58, 0.3]) * (largest - first) + first
    shapes = [shooter.at(float(d)) for d in (*ups, *downs)]
    cell = TrueCell(
        counts_per_newton=float(rng.uniform(4000, 10000)),
        zero_counts=float(rng.uniform(-60000, 60000)),
        drift_n=float(rng.normal(0, 0.4)),
        noise_n=float(rng.uniform(0.05, 0.35)),
        rate_hz=plan.rate_hz,
        lag_s=float(rng.uniform(0.05, 0.22)),
    )
    course = _in_time(shapes, plan, rng)
    lines = stream(course.force_at, course.begins_s, course.ends_s - 2.0, cell, plan.faults, rng)
    taken = [_Taken("empty", course.empty_s), *(_Taken("rest", t, rest) for t in course.rest_s)]
    taken += [_Taken("pull", t, shape, k) for k, (t, shape) in enumerate(zip(course.moments_s, shapes, strict=True))]
    truth_frames = _pictures(folder, taken, Painter(scenery, bow, plan.seed + 1 + 1000 * plan.session), plan, setting)
    for entry, one in zip(truth_frames, taken, strict=True):
        entry |= _frame_truth(bow, one, course.forces_n[one.number] if one.role == "pull" else 0.0, plan)
    _write_rows(
        folder / "frames.csv",
        ["file", "t_s", "role"],
        [(e["file"], f"{e['t_s']:.4f}", e["role"]) for e in truth_frames],
    )
    _write_rows(folder / "force.csv", ["t_s", "line"], [(f"{t:.4f}", line) for t, line in lines])
    (folder / "rig.toml").write_text(toml_rig(scenery, cell, plan, rng), encoding="utf-8")
    (folder / "bow.toml").write_text(toml_bow(bow, plan, rng), encoding="utf-8")
    drawn = shapes[plan.pictures - 1]
    truth: dict[str, Any] = {
        "name": folder.name,
        "spots": [
            {"limb": s.limb, "from_mm": s.from_mm, "to_mm": s.to_mm, "rel_thickness": s.rel_thickness, "kind": s.kind}
            for s in bow.spots
        ],
        "tolerated_marks": [],
        "limbs": {
            "left": _limb_truth(bow.left, rest.left_curvature, drawn.left_curvature),
            "right": _limb_truth(bow.right, rest.right_curvature, drawn.right_curvature),
        },
        "frames": truth_frames,
        "largest_draw_mm": float(ups[-1]),
        "twist_deg": [setting.twist_of(side)[0] for side in ("left", "right")],
        "hysteresis": plan.hysteresis,
        "force_clock_offset_s": cell.lag_s,
        "bow_plane_z_true_mm": scenery.plane_z_mm,
        "forecast": {
            "target_draw_mm": bow.draw_mm,
            "target_weight_n": bow.weight_n,
            "brace_height_mm": bow.brace_mm,
            "braced_weight_n": None,
        },
        "even_profile": {"limbs": {}},
    }
    (folder / "truth.json").write_text(json.dumps(truth), encoding="utf-8")
    return truth


@dataclass(frozen=True, kw_only=True)
class _Course:
    """A pull in time: rest, then pull and hold in turns, then down; the force between ``knots_s`` is straight."""

    begins_s: float
    ends_s: float
    empty_s: float
    rest_s: tuple[float, float]
    moments_s: tuple[float, ...]
    forces_n: tuple[float, ...]
    knots_s: tuple[float, ...]
    knots_n: tuple[float, ...]

    def force_at(self, t_s: float) -> float:
        """The force at a time."""
        return float(np.interp(t_s, self.knots_s, self.knots_n))


def _in_time(shapes: Sequence[TrueShape], plan: Plan, rng: np.random.Generator) -> _Course:
    clock = 1000.0 + float(rng.uniform(0, 1000))
    now = clock + 30.0
    knots_t, knots_f = [clock, now], [0.0, 0.0]
    moments, forces = [], []
    for k, drawn_shape in enumerate(shapes):
        down = k >= plan.pictures
        factor = 1 - plan.hysteresis if down else 1.0
        now += 1.6 if not down else 3.0
        level = drawn_shape.force_n * factor
        knots_t.append(now)
        knots_f.append(level * (1 + (0.0 if down else RELAXATION)))
        hold = float(rng.uniform(1.9, 2.6))
        share = float(rng.uniform(0.45, 0.7))
        knots_t.append(now + hold)
        knots_f.append(level * (1 + (0.002 if down else 0.0)))
        moments.append(now + share * hold)
        forces.append(float(np.interp(moments[-1], knots_t[-2:], knots_f[-2:])))
        now += hold
    return _Course(
        begins_s=clock,
        ends_s=now + 12.0,
        empty_s=clock + 4.0,
        rest_s=(clock + 18.0, clock + 20.0),
        moments_s=tuple(moments),
        forces_n=tuple(forces),
        knots_s=(*knots_t, now + 2.5, now + 12.0),
        knots_n=(*knots_f, 0.0, 0.0),
    )


@dataclass(frozen=True)
class _Taken:
    """A picture that is taken: its role, its time, the bow's shape and which of the pull's pictures it is."""

    role: str
    t_s: float
    shape: TrueShape | None = None
    number: int = -1


def _pictures(
    folder: Path, taken: Sequence[_Taken], painter: Painter, plan: Plan, setting: Setting
) -> list[dict[str, Any]]:
    """Paints and writes all pictures; for each its file, role and time."""
    (folder / "frames").mkdir(parents=True)
    rows: list[dict[str, Any]] = []
    for number, one in enumerate(taken):
        name = f"frames/{number:03d}_{one.role}.jpg"
        pulled = one.role == "pull"
        hook = one.shape.hook_mm if pulled and one.shape is not None else None
        image = painter.picture(
            one.shape, hook, setting.motion_px if pulled else 0.0, plan.occluder if pulled else None
        )
        quality = WEBCAM_QUALITY if Trouble.WEBCAM in setting.troubles else plan.quality
        good, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if not good:
            msg = "the picture could not be encoded"
            raise OSError(msg)
        raw = data.tobytes()
        (folder / name).write_bytes(raw[: len(raw) // 2] if number in plan.broken else raw)
        rows.append({"file": name, "role": one.role, "t_s": one.t_s})
    return rows


def _frame_truth(bow: BowTruth, taken: _Taken, force_n: float, plan: Plan) -> dict[str, Any]:
    """What is true of a picture."""
    shape = taken.shape
    entry: dict[str, Any] = {"draw_mm": None, "force_n": 0.0} if taken.role == "rest" else {}
    if shape is not None:
        entry["centreline"] = {
            side: {
                "s_mm": bow.limb(side).s_mm.tolist(),
                "x_mm": getattr(shape, f"{side}_mm")[:, 0].tolist(),
                "y_mm": getattr(shape, f"{side}_mm")[:, 1].tolist(),
            }
            for side in ("left", "right")
        }
    if taken.role == "pull" and shape is not None:
        entry |= {
            "draw_mm": shape.draw_mm,
            "force_n": force_n,
            "branch": "up" if taken.number < plan.pictures else "down",
            "hook_x_mm": float(shape.hook_mm[0]),
        }
    return entry


def _write_rows(path: Path, header: list[str], rows: Sequence[tuple[str, ...]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)
