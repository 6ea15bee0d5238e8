"""What a whole skin map costs over the kernel's sum: range, influences, growth, the look ahead.

    python tests/benchmarks/bench_skin_map.py [events]

Prints the processor time of each over that of the plain sum in the same run, and the seconds.
Ratios, never seconds, are worth comparing between machines. Nothing is asserted. Events and patient
are invented.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np

from dosetrack.records.report import Filter, IrradiationEvent
from dosetrack.skin.ahead import look_ahead
from dosetrack.skin.body import patient_surface
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.placing import placed_case
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.skin.variations import field_on

REPEATS = 5
VIEWS = ((0, 0), (-30, 0), (30, 20), (-20, 25), (0, 30), (40, -10))


def events(number: int) -> list[IrradiationEvent]:
    """A long cardiac case: six views that wander, a table that moves."""
    chance = np.random.default_rng(3)
    found = []
    for n in range(number):
        primary, secondary = VIEWS[chance.integers(len(VIEWS))]
        field = float(chance.integers(150, 250))
        found.append(
            IrradiationEvent(
                uid=f"2.25.{n}",
                plane="single",
                type="fluoroscopy" if chance.random() < 0.7 else "stationary",
                started_at=f"2026-03-01T{8 + n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}",
                reference_air_kerma_mgy=float(chance.gamma(2, 2)),
                kvp=float(chance.integers(65, 110)),
                filters=(Filter("copper", 0.2, 0.2),),
                primary_angle_deg=primary + float(chance.normal(0, 3)),
                secondary_angle_deg=secondary + float(chance.normal(0, 3)),
                source_to_isocenter_mm=750.0,
                source_to_detector_mm=float(chance.integers(1000, 1150)),
                field_width_mm=field,
                field_height_mm=field,
                table_longitudinal_mm=float(chance.normal(0, 40)),
                table_lateral_mm=float(chance.normal(0, 20)),
                table_height_mm=float(chance.normal(0, 10)),
                patient_position="HFS",
            )
        )
    return found


def cost(work: Callable[[], object]) -> float:
    """Median processor time [s]."""
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def main() -> None:
    """Measure and print."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    patient = PatientSetup(height_cm=175.0, weight_kg=85.0, sex="M", region="chest")
    surface = patient_surface(patient, spacing_mm=6.8)
    case = placed_case(events(number), system=SystemSetup(), patient=patient, surface=surface)

    def plain() -> None:
        field = field_on(case, surface.points_mm, surface.normals, surface.part, medium="water")
        field.add_all([b.beam for b in case.beams])

    base = cost(plain)
    found = skin_map([case], surface)
    works: dict[str, Callable[[], object]] = {
        "peak and range only": lambda: skin_map([case], surface, detail="peak"),
        "whole map": lambda: skin_map([case], surface),
        "two cases on one body": lambda: skin_map([case, case], surface),
        "look ahead": lambda: look_ahead(found, rate_mgy_per_min=20.0),
    }
    print(f"{number} events, {len(surface.points_mm)} patches; sum alone {base:.3f} s")
    for name, work in works.items():
        seconds = cost(work)
        print(f"{name:24s} {seconds / base:5.1f} x the sum  ({seconds:.3f} s)")


if __name__ == "__main__":
    main()
