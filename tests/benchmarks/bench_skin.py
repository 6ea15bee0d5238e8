"""What the skin dose of 1000 events on 20 000 patches costs against a plain loop over the whole body.

    python tests/benchmarks/bench_skin.py [events]

The plain loop evaluates the formula for every patch of the body, event by event, in numpy: the way
one would write it first. Prints the ratio of both in this run and their largest difference, the
time of one more event on a running case (still and arc), the growth with the number of events and
the memory taken. Ratios, never seconds, are worth comparing between machines. Nothing is asserted.
Events and body are invented.
"""

from __future__ import annotations

import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dosetrack.skin import Beam, DoseField, PatientSetup, TableTop, dose_at_points
from dosetrack.skin.body import patient_surface
from dosetrack.skin.frames import detector_direction, height_direction, source_point, width_direction
from dosetrack.skin.kernel import contributions
from dosetrack.skin.model import FloatArray
from dosetrack.skin.quality import field_factors

REPEATS = 9
TABLE = TableTop(top_y_mm=130.0, half_width_mm=225.0, z_min_mm=-1200.0, z_max_mm=800.0, transmission=0.8)


def trunk() -> tuple[FloatArray, FloatArray]:
    """20 000 patches of an elliptic trunk, half axes 184 and 119 mm, 600 mm long."""
    angle, z = np.meshgrid(np.arange(125) / 125 * 2 * np.pi, np.linspace(-300, 300, 160))
    points = np.stack([184 * np.cos(angle), 119 * np.sin(angle), z], axis=-1).reshape(-1, 3)
    normals = np.stack([np.cos(angle) / 184, np.sin(angle) / 119, 0 * z], axis=-1).reshape(-1, 3)
    return points, normals / np.linalg.norm(normals, axis=1)[:, np.newaxis]


def events(number: int, *, is_from_tables: bool) -> list[Beam]:
    """Still beams of a long case: many angles, fields and table positions."""
    chance = np.random.default_rng(20)
    found = []
    for _ in range(number):
        beam = Beam(
            reference_air_kerma_mgy=chance.uniform(0.1, 20),
            source_to_isocenter_mm=chance.uniform(700, 800),
            source_to_detector_mm=chance.uniform(950, 1200),
            field_width_mm=chance.uniform(100, 220),
            field_height_mm=chance.uniform(100, 220),
            primary_angle_deg=chance.uniform(-60, 60),
            secondary_angle_deg=chance.uniform(-30, 30),
            table_offset_mm=tuple(chance.uniform(-80, 80, 3)),
            kvp=float(chance.integers(60, 120)),
            al_mm=3.0,
            cu_mm=float(chance.choice([0.0, 0.1, 0.3])),
        )
        found.append(beam if is_from_tables else replace(beam, backscatter=1.3, medium_ratio=1.02))
    return found


def plain_loop(beams: list[Beam], points: FloatArray, normals: FloatArray) -> FloatArray:
    """The dose of still beams, every patch of the body for every event [mGy]."""
    total = np.zeros(len(points))
    for beam in beams:
        angles = beam.primary_angle_deg, beam.secondary_angle_deg
        source = source_point(*angles, source_to_isocenter_mm=beam.source_to_isocenter_mm)
        source = source - np.array(beam.table_offset_mm)
        ray = points - source
        depth = ray @ detector_direction(*angles)
        across = ray @ width_direction(*angles) * beam.source_to_detector_mm / depth
        up = ray @ height_direction(*angles) * beam.source_to_detector_mm / depth
        hit = (depth > 0) & (np.abs(across) <= beam.field_width_mm / 2)
        hit &= (np.abs(up) <= beam.field_height_mm / 2) & ((ray * normals).sum(axis=1) < 0)
        distance = np.sqrt((ray**2).sum(axis=1))
        reference = beam.source_to_isocenter_mm - 150
        dose = beam.reference_air_kerma_mgy * (reference / distance) ** 2
        dose *= _transmission(source, ray, distance, points) * _factor(beam, distance)
        total += np.where(hit, dose, 0.0)
    return total


def _transmission(
    source: FloatArray, ray: FloatArray, distance: FloatArray, points: FloatArray
) -> FloatArray:
    part = (TABLE.top_y_mm - source[1]) / ray[:, 1]
    x, z = source[0] + part * ray[:, 0], source[2] + part * ray[:, 2]
    crosses = (source[1] > TABLE.top_y_mm) & (points[:, 1] <= TABLE.top_y_mm)
    crosses &= (np.abs(x) <= TABLE.half_width_mm) & (z >= TABLE.z_min_mm) & (z <= TABLE.z_max_mm)
    found: FloatArray = np.where(crosses, TABLE.transmission ** (distance / np.abs(ray[:, 1])), 1.0)
    return found


def _factor(beam: Beam, distance: FloatArray) -> FloatArray | float:
    if beam.backscatter is not None and beam.medium_ratio is not None:
        return beam.backscatter * beam.medium_ratio
    a, b = beam.field_width_mm, beam.field_height_mm
    side_cm = 2 * a * b / (a + b) / beam.source_to_detector_mm * distance / 10
    curve = field_factors(beam)
    found: FloatArray = np.interp(np.log(side_cm), np.log(curve.sides_cm), curve.medium_and_backscatter)
    return found


def _seconds(action: Callable[[], object], repeats: int = REPEATS) -> float:
    """Least processor time of `repeats` runs after one to warm up [s]."""
    action()
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        action()
        taken.append(time.process_time() - start)
    return min(taken)


def _peak_mib(action: Callable[[], object]) -> float:
    tracemalloc.start()
    action()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 2**20


def main() -> None:
    """Run and print."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    points, normals = trunk()
    print(f"{number} events, {len(points)} patches, float64")
    for is_from_tables, what in ((False, "constant factors"), (True, "factors by quality and field")):
        beams = events(number, is_from_tables=is_from_tables)
        plain = plain_loop(beams, points, normals)
        ours = dose_at_points(beams, points, normals, TABLE)
        difference = (np.abs(ours - plain)[plain > 0] / plain[plain > 0]).max()
        slow = _seconds(lambda: plain_loop(beams, points, normals), repeats=3)  # noqa: B023
        fast = _seconds(lambda: dose_at_points(beams, points, normals, TABLE))  # noqa: B023
        print(
            f"{what}: plain loop {slow:.2f} s, kernel {fast * 1e3:.0f} ms, ratio {slow / fast:.0f}; "
            f"largest relative difference {difference:.1e}"
        )
    memory = _peak_mib(lambda: dose_at_points(beams, points, normals, TABLE))
    print(f"memory of {number} events: {memory:.0f} MiB")
    _print_parts(number)
    _print_growth(points, normals)
    _print_one_more(points, normals)


def _print_parts(number: int) -> None:
    """A whole body with arms and legs, where parts shade each other; the plain loop knows no shade."""
    body = patient_surface(PatientSetup(height_cm=170, weight_kg=75, sex="M", arms="beside"), spacing_mm=8.0)
    points, beams = body.points_mm - np.array([0.0, -130.0, 1250.0]), events(number, is_from_tables=True)

    def whole() -> None:
        DoseField(points, body.normals, TABLE, "HFS", body.part).add_all(beams)

    slow = _seconds(lambda: plain_loop(beams, points, body.normals), repeats=3)
    fast = _seconds(whole)
    print(
        f"{len(points)} patches in {len(body.parts)} parts that shade each other: {fast * 1e3:.0f} ms, "
        f"ratio to the plain loop without shade {slow / fast:.0f}"
    )


def _print_growth(points: FloatArray, normals: FloatArray) -> None:
    per_event = []
    for number in (1000, 2000, 4000):
        beams = events(number, is_from_tables=True)
        per_event.append(_seconds(lambda: dose_at_points(beams, points, normals, TABLE)) / number)  # noqa: B023
    told = ", ".join(f"{1e6 * seconds:.0f}" for seconds in per_event)
    print(f"1000, 2000, 4000 events: {told} microseconds each")


def _print_one_more(points: FloatArray, normals: FloatArray) -> None:
    field, beams = DoseField(points, normals, TABLE), events(300, is_from_tables=True)
    arcs = [replace(b, primary_angle_deg=-100.0, primary_end_angle_deg=100.0) for b in beams[:15]]
    for what, some in (("one more event", beams), ("one more arc of 200 degrees", arcs)):
        taken = []
        for beam in some:
            start = time.process_time()
            field.add(beam)
            taken.append(time.process_time() - start)
        print(f"{what}: median {1e3 * statistics.median(taken):.2f} ms, longest {1e3 * max(taken):.2f} ms")
    peak = int(field.dose_mgy.argmax())
    many = events(4000, is_from_tables=True)
    seconds = _seconds(lambda: contributions(many, points[peak], normals[peak], TABLE))
    print(f"what each of 4000 events gave to one patch: {1e3 * seconds:.0f} ms")


if __name__ == "__main__":
    main()
