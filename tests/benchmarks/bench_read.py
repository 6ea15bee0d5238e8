"""Prints how long reading one report takes against dsrdump (DCMTK) and against pydicom, in one run.

    python tests/benchmarks/bench_read.py [events]

Ratios, never seconds, are worth comparing between machines. Nothing is asserted.
"""

from __future__ import annotations

import gc
import io
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset

sys.path.insert(0, str(Path(__file__).parents[1] / "readers"))

from rdsr_files import EventPlan, accumulated, event, num, report, saved

from dosetrack.readers import read_report

REPEATS = 5


def _file(events: int, syntax: str, *, undefined: bool) -> bytes:
    plans = [
        EventPlan(
            number=n, type="stationary" if n % 3 == 0 else "fluoroscopy", dap_gym2=f"0.000{n % 997:04d}"
        )
        for n in range(1, events + 1)
    ]
    content = [event(plan) for plan in plans]
    for n, container in enumerate(content):
        container.ContentSequence.append(num("113824", str(600 + n % 50), "ms"))
        container.ContentSequence.append(num("113766", "0.6", "mm"))
    totals = accumulated("single", {"113722": ("0.5", "Gy.m2"), "113725": ("4.5", "Gy")})
    return saved(report([totals, *content]), syntax, undefined=undefined)


def _seconds(action: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median of `repeats` runs after one to warm up [s]."""
    action()
    taken = []
    for _ in range(repeats):
        gc.collect()
        start = time.perf_counter()
        action()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def _walk(data: Dataset) -> int:
    """Touch every element by attribute names, as a reader on pydicom would; how many items there are."""
    count = 0
    for content in data.get("ContentSequence", []):
        count += 1
        _ = content.ConceptNameCodeSequence[0].CodeValue
        for measured in content.get("MeasuredValueSequence", []):
            _ = float(measured.NumericValue), measured.MeasurementUnitsCodeSequence[0].CodeValue
        for entry in content.get("ConceptCodeSequence", []):
            _ = entry.CodeValue
        count += _walk(content)
    return count


def main() -> None:
    """Print the table of ratios."""
    events = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(f"{events} events; ratios to dsrdump on the same file (whole process); lower is faster")
    dsrdump = shutil.which("dsrdump")
    with tempfile.TemporaryDirectory() as folder:
        for syntax in ("explicit", "implicit", "big-endian", "deflated"):
            for undefined in (False, True):
                data = _file(events, syntax, undefined=undefined)
                path = Path(folder, "report.dcm")
                path.write_bytes(data)
                ours = _seconds(partial(read_report, data, file="report.dcm"))
                lengths = "undefined" if undefined else "defined"
                line = f"{syntax:10} {lengths:9} {len(data) / 1e6:5.1f} MB  {ours:6.3f} s"
                if dsrdump:
                    theirs = _seconds(partial(_run, dsrdump, path), 3)
                    line += f"  dsrdump {theirs:6.3f} s  ratio {ours / theirs:5.2f}"
                if syntax == "explicit" and not undefined:
                    start = time.perf_counter()
                    count = _walk(pydicom.dcmread(io.BytesIO(data)))
                    walked = time.perf_counter() - start
                    line += f"  pydicom {walked:6.2f} s for {count} items, {walked / ours:4.0f} times ours"
                print(line, flush=True)


def _run(command: str, path: Path) -> None:
    subprocess.run([command, str(path)], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


if __name__ == "__main__":
    main()
