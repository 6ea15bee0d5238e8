"""Small surfaces and cases of invented numbers for the tests of the map: flat, elliptic, one beam."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import pi

import numpy as np

from dosetrack.skin.beam import Beam, Point, TableTop
from dosetrack.skin.model import Assumption, NotMapped, PlacedBeam, PlacedCase, Surface

TABLE = TableTop(top_y_mm=115.0, half_width_mm=225.0, z_min_mm=-1000.0, z_max_mm=1000.0, transmission=0.8)


def flat(*, half_mm: float = 200.0, spacing_mm: float = 10.0, height_mm: float = 1700.0) -> Surface:
    """A flat back at y = 0 that looks down, about the middle of the body; patches at round numbers."""
    steps = np.arange(-half_mm, half_mm + spacing_mm / 2, spacing_mm)
    x, z = (grid.ravel() for grid in np.meshgrid(steps, steps))
    points = np.column_stack((x, np.zeros_like(x), z + height_mm / 2))
    return _surface(
        "sheet", points, np.tile((0.0, 1.0, 0.0), (len(x), 1)), np.full(len(x), spacing_mm**2), height_mm
    )


def tube(
    *, across_mm: float, depth_mm: float, length_mm: float = 400.0, spacing_mm: float = 10.0, turns: int = 144
) -> Surface:
    """An elliptic trunk on the pad, axis along z; patches at whole parts of a turn from the back."""
    angle = np.arange(turns) / turns * 2 * pi
    z = np.arange(-length_mm / 2, length_mm / 2 + spacing_mm / 2, spacing_mm) + 1100.0
    turn, along = (grid.ravel() for grid in np.meshgrid(angle, z))
    points = np.column_stack((across_mm * np.sin(turn), depth_mm * (np.cos(turn) - 1), along))
    normals = np.column_stack((np.sin(turn) / across_mm, np.cos(turn) / depth_mm, np.zeros_like(turn)))
    normals /= np.linalg.norm(normals, axis=1)[:, np.newaxis]
    arc = np.hypot(across_mm * np.cos(turn), depth_mm * np.sin(turn)) * 2 * pi / turns
    return _surface("trunk", points, normals, arc * spacing_mm, 1700.0)


def _surface(part: str, points: np.ndarray, normals: np.ndarray, area: np.ndarray, height: float) -> Surface:
    return Surface(
        kind="sheet" if part == "sheet" else "body",
        points_mm=points,
        normals=normals,
        area_mm2=area,
        part=np.zeros(len(points), dtype=np.int32),
        parts=(part,),
        unrolled_mm=points[:, (0, 2)],
        triangles=np.zeros((0, 3), dtype=np.int32),
        height_mm=height,
    )


def beam(kerma_mgy: float = 100.0, **given: object) -> Beam:
    """A beam of the worked examples (750, 1100 mm, no backscatter), changed as given."""
    known: dict[str, object] = {
        "source_to_isocenter_mm": 750.0,
        "source_to_detector_mm": 1100.0,
        "field_width_mm": 160.0,
        "field_height_mm": 160.0,
        "backscatter": 1.0,
        "medium_ratio": 1.0,
    }
    return Beam(kerma_mgy, **{**known, **given})  # type: ignore[arg-type]


def placed(
    beam: Beam, number: int = 0, *, uid: str | None = None, fluoroscopy: bool | None = True
) -> PlacedBeam:
    """The beam as event `number` of a case, one minute after the other."""
    return PlacedBeam(
        beam=beam,
        uid=f"1.{number}" if uid is None else uid,
        plane="single",
        is_fluoroscopy=fluoroscopy,
        started_at=f"2026-03-01T10:{number % 60:02d}:00",
    )


def case(
    beams: Sequence[Beam | PlacedBeam],
    *,
    origin_mm: Point = (0.0, -100.0, 850.0),
    table: TableTop | None = None,
    assumed: Sequence[str] = (),
    not_mapped: Sequence[float | None] = (),
    **other: object,
) -> PlacedCase:
    """A case of these beams; `assumed` by key, `not_mapped` by air kerma [mGy]."""
    all_beams = tuple(placed(b, n) if isinstance(b, Beam) else b for n, b in enumerate(beams))
    kerma = sum(b.beam.reference_air_kerma_mgy for b in all_beams)
    missed = sum(k or 0.0 for k in not_mapped)
    made = PlacedCase(
        beams=all_beams,
        not_mapped=tuple(NotMapped(f"9.{n}", k, "field size not told") for n, k in enumerate(not_mapped)),
        table=table,
        position="HFS",
        origin_mm=origin_mm,
        mapped_fraction=kerma / (kerma + missed) if kerma + missed > 0 else None,
        is_table_known=True,
        assumed=tuple(Assumption(key, f"{key} taken for granted") for key in assumed),
    )
    return replace(made, **other)  # type: ignore[arg-type]
