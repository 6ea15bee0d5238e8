"""A skin map of invented numbers: a body of elliptic strips with a hot patch on the back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dosetrack.skin.beam import Beam, TableTop
from dosetrack.skin.model import (
    Assumption,
    DoseBand,
    Doubt,
    EventShare,
    FloatArray,
    Influence,
    PlacedBeam,
    PlacedCase,
    SkinMap,
    Surface,
)
from dosetrack.skin.peak import dose_bands

PEAK_MGY = 5400.0
LOW_MGY, HIGH_MGY = 3600.0, 8100.0
SITE = "back, right of midline, at the level of the lumbar spine"
HOT_ACROSS_MM, HOT_ALONG_MM = -60.0, 1150.0
UNVERIFIED = Assumption("table-axes", "table axes not verified on this system")

_PARTS = (  # name, half axes across and front to back, from, to, middle of the strip across [mm]
    ("trunk", 175.0, 118.0, 830.0, 1450.0, 0.0, 0.0),
    ("head", 75.0, 95.0, 1500.0, 1720.0, 0.0, 0.0),
    ("left leg", 75.0, 75.0, 300.0, 820.0, 260.0, 90.0),
    ("right leg", 75.0, 75.0, 300.0, 820.0, -260.0, -90.0),
)


def surface(spacing_mm: float = 20.0) -> Surface:
    """Trunk, head and legs, each an elliptic cylinder."""
    points, normals, unrolled, area, part, triangles = [], [], [], [], [], []
    start = 0
    for index, (_, a, b, low, high, across, centre) in enumerate(_PARTS):
        round_mm = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))
        n, rows = int(round_mm / spacing_mm), int((high - low) / spacing_mm)
        turn = (np.arange(n) + 0.5) / n * 2 * np.pi - np.pi  # 0 at the back, positive to the left
        z = low + (np.arange(rows) + 0.5) * spacing_mm
        t, zz = np.meshgrid(turn, z)
        t, zz = t.ravel(), zz.ravel()
        points.append(np.column_stack((centre + a * np.sin(t), b * np.cos(t) - b, zz)))
        normal = np.column_stack((np.sin(t) / a, np.cos(t) / b, np.zeros_like(t)))
        normals.append(normal / np.linalg.norm(normal, axis=1)[:, None])
        unrolled.append(np.column_stack((across + t / (2 * np.pi) * round_mm, zz)))
        area.append(np.full(n * rows, round_mm / n * spacing_mm))
        part.append(np.full(n * rows, index, dtype=np.int32))
        first = (np.arange(rows - 1)[:, None] * n + np.arange(n)[None, :]).ravel() + start
        beside = (np.arange(rows - 1)[:, None] * n + (np.arange(n)[None, :] + 1) % n).ravel() + start
        triangles += [
            np.column_stack((first, beside, first + n)),
            np.column_stack((beside, beside + n, first + n)),
        ]
        start += n * rows
    return Surface(
        kind="body",
        points_mm=np.vstack(points),
        normals=np.vstack(normals),
        area_mm2=np.concatenate(area),
        part=np.concatenate(part),
        parts=tuple(p[0] for p in _PARTS),
        unrolled_mm=np.vstack(unrolled),
        triangles=np.vstack(triangles).astype(np.int32),
        height_mm=1720.0,
    )


def dose_of(on: Surface, peak_mgy: float = PEAK_MGY) -> FloatArray:
    """A smooth hill on the back with a weaker field beside it; nothing elsewhere."""
    x, z = on.unrolled_mm.T
    hill = np.exp(-(((x - HOT_ACROSS_MM) / 55) ** 2 + ((z - HOT_ALONG_MM) / 45) ** 2))
    beside = 0.25 * ((np.abs(x - 150) < 60) & (np.abs(z - 1180) < 70))
    dose = np.where(on.part == 0, np.where(hill > 0.02, hill, 0.0) + beside, 0.0)
    return np.asarray(dose / dose.max() * peak_mgy)


def placed_case(events: int = 12) -> PlacedCase:
    """Invented events: the view changes after two thirds of the case."""
    beams = []
    for n in range(events):
        is_early = n < events * 2 / 3
        beams.append(
            PlacedBeam(
                beam=Beam(
                    reference_air_kerma_mgy=100.0 + n,
                    source_to_isocenter_mm=750.0,
                    source_to_detector_mm=1100.0,
                    field_width_mm=180.0,
                    field_height_mm=180.0,
                    primary_angle_deg=-5.0 if is_early else 32.0,
                    secondary_angle_deg=0.0 if is_early else 15.0,
                ),
                uid=f"2.25.1000{n}",
                plane="single",
                is_fluoroscopy=n % 3 != 0,
                started_at=f"2026-11-25T09:{12 + n:02d}:00+00:00",
            )
        )
    return PlacedCase(
        beams=tuple(beams),
        not_mapped=(),
        table=TableTop(120.0, 225.0, -1000.0, 1000.0, 0.8),
        position="HFS",
        origin_mm=(0.0, -118.0, 1150.0),
        mapped_fraction=0.96,
        is_table_known=True,
    )


def invented_map(
    *, spacing_mm: float = 20.0, peak_mgy: float = PEAK_MGY, events: int = 12, is_verified: bool = True
) -> SkinMap:
    """A whole map; every number is invented."""
    on, case = surface(spacing_mm), placed_case(events)
    dose = dose_of(on, peak_mgy)
    scale = peak_mgy / PEAK_MGY
    share = np.array([1.0 if n < events * 2 / 3 else 0.05 for n in range(events)])
    given = share / share.sum() * peak_mgy
    so_far = np.cumsum(given)
    assumed = (Assumption("table-transmission", "table and pad transmit 0.8 (not measured on this system)"),)
    return SkinMap(
        surface=on,
        cases=(case,),
        dose_mgy=dose,
        peak_index=int(dose.argmax()),
        peak_mgy=peak_mgy,
        low_mgy=LOW_MGY * scale,
        high_mgy=HIGH_MGY * scale,
        peak_site=SITE,
        bands=dose_bands(dose, on),
        by_event=tuple(EventShare(b.uid, float(g)) for b, g in zip(case.beams, given, strict=True)),
        fluoroscopy_share=0.62,
        growth=tuple((b.started_at, float(d), float(d)) for b, d in zip(case.beams, so_far, strict=True)),
        influences=(
            Influence("meter", "the dose meter reads true within 35 %", 3900.0 * scale, 7200.0 * scale),
            Influence("table", "table and pad transmit 0.65 to 0.95", 4400.0 * scale, 6400.0 * scale),
        ),
        mapped_fraction=0.96,
        medium="water",
        assumed=assumed if is_verified else (*assumed, UNVERIFIED),
        findings=(),
        doubts=(Doubt("meter", "the dose meter was not calibrated", 20.0),),
    )


def empty_map() -> SkinMap:
    """Nothing could be placed."""
    whole = invented_map()
    return replace(
        whole, cases=(), dose_mgy=np.zeros(len(whole.dose_mgy)), peak_index=None, peak_mgy=None, low_mgy=None,
        high_mgy=None, peak_site=None, by_event=(), growth=(), influences=(), fluoroscopy_share=None,
        mapped_fraction=0.0, bands=(DoseBand(0.0, None, 0.0),),
    )  # fmt: skip
