"""The skin of one patient as small patches, in the body frame of `skin.model`.

Built from the tubes of `skin.sections`. Tubes built by region:

    head, neck, chest    trunk, neck, head
    abdomen              trunk
    pelvis, legs         trunk, legs
    not known            trunk, neck, head, legs

and both arms where they are known to lie beside the trunk. The trunk is always there, as a puncture at
the groin belongs to most procedures. With neither height nor weight: a flat sheet at pad height.

The surface depends on the patient and not on how the patient lies: the position turns it. Only a sheet
must know the position, as it faces the table.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import ceil

import numpy as np

from dosetrack.errors import InputError
from dosetrack.findings import Finding
from dosetrack.skin import sections
from dosetrack.skin.beam import Point
from dosetrack.skin.body_size import (
    MM_PER_CM,
    BodySize,
    bounds,
    known_size,
    proportion,
    typical_height_cm,
)
from dosetrack.skin.model import Assumption, FloatArray, Surface
from dosetrack.skin.sections import Tube
from dosetrack.skin.setup import Arms, BodyRegion, PatientSetup, Position
from dosetrack.skin.tube_patches import TubePatches, lid, mesh, tube_patches

_BUILT: dict[BodyRegion | None, tuple[str, ...]] = {
    "head": ("neck", "head"),
    "neck": ("neck", "head"),
    "chest": ("neck", "head"),
    "abdomen": (),
    "pelvis": ("legs",),
    "legs": ("legs",),
    None: ("neck", "head", "legs"),
}

# from the body towards the pad, body frame
_TO_PAD: dict[str, Point] = {
    "S": (0.0, 1.0, 0.0),
    "P": (0.0, -1.0, 0.0),
    "DL": (1.0, 0.0, 0.0),
    "DR": (-1.0, 0.0, 0.0),
}


def patient_surface(patient: PatientSetup, *, spacing_mm: float = 8.0) -> Surface:
    """The skin of this patient as patches of about `spacing_mm` squared.

    Parameters
    ----------
    patient : size, region and arms are used; the position only for a sheet (None: supine)
    spacing_mm : side of a patch [mm]

    Returns
    -------
    kind 'body', or 'sheet' where neither height nor weight can be used. The arrays are shared between
    calls for one patient and cannot be written to.

    Notes
    -----
    One of height and weight unknown: a typical value stands in, told in `assumed` under
    'patient-size'. See `skin.body_size`.
    """
    _check_spacing(spacing_mm)
    known = known_size(height_cm=patient.height_cm, weight_kg=patient.weight_kg, sex=patient.sex)
    if known.size is None:
        flat = sheet(position=patient.position or "HFS", spacing_mm=spacing_mm)
        return replace(flat, findings=known.findings)
    return _body(
        known.size,
        region=patient.region,
        arms=patient.arms,
        spacing_mm=spacing_mm,
        assumed=known.assumed,
        findings=known.findings,
    )


@lru_cache(maxsize=16)
def _body(
    size: BodySize,
    *,
    region: BodyRegion | None,
    arms: Arms,
    spacing_mm: float,
    assumed: tuple[Assumption, ...],
    findings: tuple[Finding, ...],
) -> Surface:
    """The body of a size that is known; kept, as a case asks for it again and again."""
    tubes, of_shape = _tubes(size, region, arms)
    return _joined(
        tubes,
        size=size,
        spacing_mm=spacing_mm,
        assumed=(*assumed, *_posture(tubes, arms)),
        findings=(*findings, *of_shape),
    )


def sheet(
    *,
    height_cm: float | None = None,
    position: Position = "HFS",
    spacing_mm: float = 8.0,
    reason: str = "neither height nor weight of the patient can be used",
) -> Surface:
    """A flat sheet at pad height that faces the table, for a patient whose size is not known.

    It lies in the body-frame plane through the origin, from the soles to the crown, and stays at pad
    height in every position: its normal is +y supine, -y prone, +x or -x on the left or right side.
    Beams from the side miss it.

    Parameters
    ----------
    height_cm : None: a typical adult's, told in `assumed` [cm]
    spacing_mm : side of a patch [mm]
    reason : why there is no body, for `assumed`
    """
    _check_spacing(spacing_mm)
    height_mm = (typical_height_cm(None, None) if height_cm is None else height_cm) * MM_PER_CM
    half_width_mm = proportion("sheet_half_width")
    across, along = ceil(2 * half_width_mm / spacing_mm), ceil(height_mm / spacing_mm)
    x = _middles(-half_width_mm, half_width_mm, across)
    z = _middles(0.0, height_mm, along)
    to_pad = np.array(pad_direction(position))
    sideways = np.cross(to_pad, (0.0, 0.0, 1.0))  # as going round the body: to the left on the back
    grid_z, grid_x = np.meshgrid(z, x, indexing="ij")
    points = grid_x.reshape(-1, 1) * sideways + grid_z.reshape(-1, 1) * np.array((0.0, 0.0, 1.0))
    text = f"{reason}: a flat sheet at pad height stands for the skin, beams from the side are not mapped"
    assumed = [Assumption("patient-size", text)]
    if height_cm is None:
        assumed.append(Assumption("patient-height", f"a height of {height_mm / MM_PER_CM:.0f} cm taken"))
    return _frozen(
        Surface(
            kind="sheet",
            points_mm=points,
            normals=np.tile(to_pad, (len(points), 1)),
            area_mm2=np.full(len(points), (x[1] - x[0]) * (z[1] - z[0])),
            part=np.zeros(len(points), np.int32),
            parts=("sheet",),
            unrolled_mm=np.column_stack([grid_x.ravel(), grid_z.ravel()]),
            triangles=mesh(along, across, first=0, is_round=False),
            height_mm=height_mm,
            assumed=tuple(assumed),
        )
    )


def pad_direction(position: Position) -> Point:
    """Unit vector from the body towards the pad: +y supine, -y prone, +x on the left side; body frame."""
    return _TO_PAD[position[2:]]


def pad_contact(surface: Surface, position: Position) -> Point:
    """The body-frame point on the pad, below the middle of the trunk; z is 0 [mm].

    The pad is the plane through it across `pad_direction`. Arms and legs do not count: in a patient
    on one side they lie where they can.
    """
    to_pad = np.array(pad_direction(position))
    low, high = _trunk_box(surface)
    middle = (low + high) / 2
    reach = np.where(to_pad > 0, high, low)
    x, y, _ = np.where(to_pad != 0, reach, middle)
    return (float(x), float(y), 0.0)


def back_y(surface: Surface) -> float:
    """Body-frame y of the back, where it lies on the pad of a supine patient [mm]."""
    return float(_trunk_box(surface)[1][1])


def front_y(surface: Surface) -> float:
    """Body-frame y of the front, where it lies on the pad of a prone patient [mm]."""
    return float(_trunk_box(surface)[0][1])


def _trunk_box(surface: Surface) -> tuple[FloatArray, FloatArray]:
    """Least and greatest x, y, z of the trunk's patches (of a sheet: of all); the midline is x = 0."""
    points = surface.points_mm
    if "trunk" in surface.parts:
        points = points[surface.part == surface.parts.index("trunk")]
    return points.min(axis=0), points.max(axis=0)


def _tubes(
    size: BodySize, region: BodyRegion | None, arms: Arms
) -> tuple[tuple[Tube, ...], tuple[Finding, ...]]:
    """The tubes this region needs, the trunk first."""
    body, findings = sections.trunk(size)
    tubes = [body]
    for name in _BUILT[region]:
        if name == "neck":
            tubes.append(sections.neck(size))
        elif name == "head":
            tubes.append(sections.head(size))
        else:
            tubes.extend(sections.legs(size))
    if arms == "beside":
        tubes.extend(sections.arms(size))
    return tuple(tubes), findings


def _posture(tubes: tuple[Tube, ...], arms: Arms) -> tuple[Assumption, ...]:
    """What is taken for granted about how arms and legs lie."""
    said = {
        "beside": "arms lie straight on the pad beside the trunk",
        "raised": "arms lie above the head and are not drawn",
        "unknown": "where the arms lay is not known, they are not drawn",
    }
    assumed = [Assumption("arms", said[arms])]
    if any(tube.name.endswith("leg") for tube in tubes):
        text = "legs lie straight and slightly apart; knees bend and legs turn, feet are not drawn"
        assumed.append(Assumption("legs", text))
    return tuple(assumed)


def _joined(
    tubes: tuple[Tube, ...],
    *,
    size: BodySize,
    spacing_mm: float,
    assumed: tuple[Assumption, ...],
    findings: tuple[Finding, ...],
) -> Surface:
    """One surface of all tubes."""
    pieces = [tube_patches(tube, spacing_mm) for tube in tubes]
    offsets = _strip_middles(tubes, pieces, spacing_mm)
    unrolled, triangles, first = [], [], 0
    for tube, piece, offset in zip(tubes, pieces, offsets, strict=True):
        unrolled.append(np.column_stack([piece.across + offset, piece.points[:, 2]]))
        triangles.append(mesh(piece.along, piece.around, first=first, is_round=True))
        if tube.is_top_closed:
            triangles.append(lid(piece, first))
        first += len(piece.points)
    counts = [len(piece.points) for piece in pieces]
    return _frozen(
        Surface(
            kind="body",
            points_mm=np.concatenate([piece.points for piece in pieces]),
            normals=np.concatenate([piece.normals for piece in pieces]),
            area_mm2=np.concatenate([piece.area for piece in pieces]),
            part=np.repeat(np.arange(len(tubes), dtype=np.int32), counts),
            parts=tuple(tube.name for tube in tubes),
            unrolled_mm=np.concatenate(unrolled),
            triangles=np.concatenate(triangles),
            height_mm=size.height_mm,
            assumed=assumed,
            findings=findings,
        )
    )


def _strip_middles(tubes: tuple[Tube, ...], pieces: list[TubePatches], spacing_mm: float) -> list[float]:
    """Where the middle of the back of each tube lies across the flat map [mm].

    Trunk, neck and head lie above each other at 0; legs side by side below them; arms beside the
    trunk, one spacing clear of whatever is widest.
    """
    half = {tube.name: float(piece.across.max()) for tube, piece in zip(tubes, pieces, strict=True)}
    gap = 2 * spacing_mm
    leg = half.get("left leg", 0.0) + gap / 2
    widest = max(half["trunk"], half.get("head", 0.0), leg + half.get("left leg", 0.0))
    arm = widest + gap + half.get("left arm", 0.0)
    middle = {"left leg": leg, "right leg": -leg, "left arm": arm, "right arm": -arm}
    return [middle.get(tube.name, 0.0) for tube in tubes]


def _middles(low: float, high: float, count: int) -> FloatArray:
    edges = np.linspace(low, high, count + 1)
    return (edges[1:] + edges[:-1]) / 2


def _check_spacing(spacing_mm: float) -> None:
    least, most = bounds("patch_spacing")
    if not least <= spacing_mm <= most:
        raise InputError(field="spacing_mm", given=f"{spacing_mm:g}", accepted=f"{least:g} to {most:g} mm")


def _frozen(surface: Surface) -> Surface:
    """The same surface, its arrays closed to writing, as the cache hands them to every caller."""
    for array in (
        surface.points_mm, surface.normals, surface.area_mm2,
        surface.part, surface.unrolled_mm, surface.triangles,
    ):  # fmt: skip
        array.setflags(write=False)
    return surface
