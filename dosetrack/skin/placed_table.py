"""Where the table top lies under the body, for pictures."""

from __future__ import annotations

import numpy as np

from dosetrack.skin.frames import room_of_patient
from dosetrack.skin.model import FloatArray, SkinMap


def table_corners(skin_map: SkinMap) -> FloatArray | None:
    """The corners of the table top of the last case, in order round it, shape (4, 3), body frame [mm].

    Only as long as the body. None where no table is known.
    """
    case = next((c for c in reversed(skin_map.cases) if c.table is not None), None)
    if case is None or case.table is None:
        return None
    top = case.table
    turn, origin = room_of_patient(case.position), np.asarray(case.origin_mm)
    along = (skin_map.surface.points_mm - origin) @ turn.T
    ends = np.clip([along[:, 2].min(), along[:, 2].max()], top.z_min_mm, top.z_max_mm)
    side = top.half_width_mm
    room = np.array([[x, top.top_y_mm, z] for x, z in _round(side, float(ends[0]), float(ends[1]))])
    return np.asarray(room @ turn + origin)


def _round(side: float, low: float, high: float) -> tuple[tuple[float, float], ...]:
    return ((-side, low), (side, low), (side, high), (-side, high))
