"""Prints how long reading one report takes against dsrdump (DCMTK) and pydicom, and after an earlier report.

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

from dosetrack.readers import read_report, read_report_after
from dosetrack.readers.consistency import inconsistencies

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
    """Print the tables of ratios."""
    events = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    dsrdump = shutil.which("dsrdump")
    if dsrdump is None:
        raise SystemExit("missing: dcmtk; install with: apt-get install dcmtk")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "report.dcm")
        print(f"{events} events, in one process (bytes to records) against dsrdump as a whole process")
        plain = _encodings(events, path, dsrdump)
        data = path_of_plain(events, path)
        print("\nthe plain file")
        _whole_process(path, dsrdump)
        start = time.perf_counter()
        count = _walk(pydicom.dcmread(io.BytesIO(data)))
        walked = time.perf_counter() - start
        print(
            f"pydicom, read and walked by names ({count} items): {walked / plain:5.0f} times ours (25 wanted)"
        )
        _checks(data, plain)
        print("\ncumulative report, 95 % of its events told before, against reading it whole")
        for undefined in (False, True):
            _cumulative(events, undefined=undefined)


def path_of_plain(events: int, path: Path) -> bytes:
    """The plain report (explicit, defined lengths), also written to `path`."""
    data = _file(events, "explicit", undefined=False)
    path.write_bytes(data)
    return data


def _encodings(events: int, path: Path, dsrdump: str) -> float:
    """Seconds of the plain file; prints each encoding."""
    plain = 0.0
    for syntax in ("explicit", "implicit", "big-endian", "deflated"):
        for undefined in (False, True):
            data = _file(events, syntax, undefined=undefined)
            path.write_bytes(data)
            ours = _seconds(partial(read_report, data, file="report.dcm"))
            theirs = _seconds(partial(_run, dsrdump, path), 3)
            plain = plain or ours
            print(
                f"{syntax:10} lengths {'undefined' if undefined else 'defined':9} {len(data) / 1e6:5.1f} MB"
                f"  {ours:6.3f} s  of dsrdump {ours / theirs:5.2f} (0.5 wanted)"
                f"  of the plain file {ours / plain:5.2f} (2 wanted)",
                flush=True,
            )
    return plain


def _whole_process(path: Path, dsrdump: str) -> None:
    """Our command against dsrdump, run in turn so that both meet the same machine."""
    ours, theirs = [], []
    command = [sys.executable, "-m", "dosetrack", "read", "--json", str(path)]
    _run_all(command)
    _run(dsrdump, path)
    for _ in range(7):
        for taken, run in ((ours, partial(_run_all, command)), (theirs, partial(_run, dsrdump, path))):
            start = time.perf_counter()
            run()
            taken.append(time.perf_counter() - start)
    us, them = statistics.median(ours), statistics.median(theirs)
    print(f"dosetrack read --json {us:6.3f} s, dsrdump {them:6.3f} s: ratio {us / them:5.2f} (1.0 wanted)")


def _checks(data: bytes, plain: float) -> None:
    found = read_report(data, file="report.dcm")
    check = partial(
        inconsistencies, events=found.events, totals=found.totals, reported_at=found.report.reported_at
    )
    print(f"checks of consistency: {100 * _seconds(check) / plain:5.1f} % of reading (5 wanted)")


def _cumulative(events: int, *, undefined: bool) -> None:
    """A later report after an earlier one with 95 % of its events."""
    held = read_report_after(
        _file(events * 95 // 100, "explicit", undefined=undefined), file="earlier.dcm", held=None
    ).held
    data = _file(events, "explicit", undefined=undefined)
    whole = _seconds(partial(read_report, data, file="later.dcm"))
    first = _seconds(partial(read_report_after, data, file="later.dcm", held=None))
    after = _seconds(partial(read_report_after, data, file="later.dcm", held=held))
    taken = read_report_after(data, file="later.dcm", held=held).taken
    print(
        f"lengths {'undefined' if undefined else 'defined':9} {taken} of {events} taken over: "
        f"{whole / after:5.1f} times as fast (3 wanted); holding nothing yet {whole / first:5.2f} times",
        flush=True,
    )


def _run(command: str, path: Path) -> None:
    _run_all([command, str(path)])


def _run_all(command: list[str]) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


if __name__ == "__main__":
    main()
