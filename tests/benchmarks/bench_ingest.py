"""What a first ingest of an archive costs, as a whole process, and whether the cost grows with the ledger.

    python tests/benchmarks/bench_ingest.py [--reports 2000] [--events 150] [--patients 400] [--studies 40]

Writes the reports with the package's own writer into a folder, runs `dosetrack ingest` on it twice
(new, then all held) and prints wall time, reports per second, processor time over wall time, peak
memory of the process and of its children, and the cost per report of the last tenth over the
first. That cost is processor time (of all processes together, at the times the ledger recorded),
so that other work on the same computer does not count. Then it takes in cumulative reports (each repeats
the events of the one before) twice, as the command does and reading every report whole, and prints
the ratio. Prints; never judges.
"""

from __future__ import annotations

import argparse
import bisect
import itertools
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from dosetrack.exchange import write_report
from dosetrack.ledger import Ledger, verify_chain
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    Filter,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)

PROJECT = Path(__file__).resolve().parents[2]  # commands run here, so that the package is found
FIRST_CASE = datetime.fromisoformat("2024-01-01T08:00")  # local, as machines send it
ROOMS = 5
CUMULATIVE_REPORTS = 8  # of each study
IN_PROCESS = """
import sys
from pathlib import Path
from dosetrack.cli.json_out import write_json
from dosetrack.records.people import Actor, Role
from dosetrack.services.ingest import ingest
from dosetrack.workflow import open_workflow
if __name__ == "__main__":
    url, folder, is_plain, workers = sys.argv[1:]
    actor = Actor(name="bench", role=Role.SYSTEM)
    workflow = open_workflow(url, create=True)
    found = ingest(
        workflow, [Path(folder)], actor=actor, workers=int(workers) or None, is_plain=is_plain == "plain"
    )
    write_json({"added": found.added, "already_held": found.already_held, "refused": found.refused})
"""


@dataclass(frozen=True, slots=True)
class Size:
    """How much is written."""

    reports: int
    events: int
    patients: int


@dataclass(slots=True)
class Run:
    """One run of the command.

    memory_mb : highest so far of each process, by its number [MB]
    clock : moments of the run (POSIX time) [s]; processor : processor time used until then [s]
    """

    document: dict[str, object] = field(default_factory=dict)
    wall_s: float = 0.0
    processor_s: float = 0.0
    memory_mb: dict[int, float] = field(default_factory=dict)
    together_mb: float = 0.0
    clock: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)


def invented_report(number: int, size: Size) -> DoseReport:
    """A report with what one event usually tells; UIDs are random, the harder case for the index."""
    chance = random.Random(number)
    start = FIRST_CASE + timedelta(hours=2 * number)
    events = tuple(
        invented_event(chance, start + timedelta(seconds=40 * item)) for item in range(size.events)
    )
    return DoseReport(
        file=f"{number}.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_instance_uid=_uid(chance),
            study_instance_uid=_uid(chance),
            accession_number=f"A{number}",
            reported_at=(start + timedelta(hours=1)).isoformat(),
        ),
        patient=Patient(id=f"BENCH-{number % size.patients}", id_issuer="invented", weight_kg=70.0),
        equipment=Equipment("Invented", "Invented", f"ROOM{number % ROOMS}", str(number % ROOMS), "Invented"),
        procedure=Procedure(label=f"Invented procedure {number % 16}", started_at=start.isoformat()),
        operators=(f"Invented^Operator{number % 9}",),
        totals=(
            DoseTotal(
                "single",
                "stated",
                sum(event.dose_area_product_gycm2 or 0.0 for event in events),
                sum(event.reference_air_kerma_mgy or 0.0 for event in events),
                sum(event.duration_s or 0.0 for event in events if event.type == "fluoroscopy"),
            ),
        ),
        events=events,
    )


def invented_event(chance: random.Random, start: datetime) -> IrradiationEvent:
    """One event of a single-plane system."""
    kerma = round(chance.random() * 10, 4)
    return IrradiationEvent(
        uid=_uid(chance),
        plane="single",
        type=chance.choice(("fluoroscopy", "fluoroscopy", "stationary")),
        started_at=start.isoformat(),
        protocol="Abdomen 15 p/s",
        dose_area_product_gycm2=round(kerma * 0.12, 4),
        reference_air_kerma_mgy=kerma,
        duration_s=round(chance.random() * 9, 2),
        pulses=float(chance.randint(10, 100)),
        pulse_rate_hz=15.0,
        frames=40.0,
        kvp=round(70 + chance.random() * 20, 1),
        tube_current_ma=round(chance.random() * 200, 1),
        pulse_width_ms=7.5,
        exposure_uas=9000.0,
        filters=(Filter("copper", 0.2, 0.2), Filter("aluminium", 1.0, 1.0)),
        primary_angle_deg=round(chance.random() * 60 - 30, 1),
        secondary_angle_deg=round(chance.random() * 40 - 20, 1),
        source_to_isocenter_mm=785.0,
        source_to_detector_mm=1100.0,
        table_longitudinal_mm=round(chance.random() * 300, 1),
        table_lateral_mm=round(chance.random() * 80, 1),
        table_height_mm=round(chance.random() * 50, 1),
        field_area_cm2=400.0,
    )


def _uid(chance: random.Random) -> str:
    return f"2.25.{chance.getrandbits(120)}"


def write_part(folder: Path, size: Size, first: int, step: int) -> None:
    """Write every `step`-th report."""
    for number in range(first, size.reports, step):
        (folder / f"{number:06}.dcm").write_bytes(write_report(invented_report(number, size)))


def write_all(folder: Path, size: Size) -> None:
    """Write the reports on every core."""
    cores = os.cpu_count() or 1
    with ProcessPoolExecutor(cores) as pool:
        list(pool.map(write_part, *zip(*((folder, size, n, cores) for n in range(cores)), strict=True)))


def write_cumulative(folder: Path, size: Size, studies: int) -> list[int]:
    """Write reports that each repeat the one before, all studies mixed; how many events each holds."""
    counts = [size.events * step // CUMULATIVE_REPORTS for step in range(1, CUMULATIVE_REPORTS + 1)]
    for study in range(studies):
        whole = invented_report(study, size)
        for step, count in enumerate(counts):
            identity = replace(
                whole.report,
                sop_instance_uid=f"{whole.report.sop_instance_uid}.{step}",
                reported_at=(FIRST_CASE + timedelta(hours=2 * study, minutes=10 * step)).isoformat(),
            )
            total = replace(whole.totals[0], reference_air_kerma_mgy=None, dose_area_product_gycm2=None)
            report = replace(whole, report=identity, totals=(total,), events=whole.events[:count])
            # two rooms work at a time, so their reports come in turn
            name = f"{study // 2:06}-{step:02}-{study % 2}.dcm"
            (folder / name).write_bytes(write_report(report))
    return counts


def ingest(folder: Path, url: str, *, workers: int | None) -> Run:
    """Run the command in a process of its own and watch it."""
    command = [sys.executable, "-m", "dosetrack", "ingest", str(folder), "--ledger", url, "--json"]
    command += ["--workers", str(workers)] if workers else []
    return watched(command)


def watched(command: list[str]) -> Run:
    """Run a command that prints one JSON document and watch it."""
    run = Run()
    start = time.perf_counter()
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    with subprocess.Popen(command, cwd=PROJECT, env=environment, stdout=subprocess.PIPE) as process:
        watcher = threading.Thread(target=_watch, args=(process.pid, run))
        watcher.start()
        assert process.stdout is not None
        run.document = json.loads(process.stdout.read())
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        run.wall_s = time.perf_counter() - start
        watcher.join()
    run.processor_s = usage.ru_utime + usage.ru_stime
    return run


def show_cumulative(work: Path, size: Size, *, studies: int, workers: int | None) -> None:
    """Take in cumulative reports as the command does and reading each whole, in turn; print the ratio."""
    folder, script = work / "cumulative", work / "cumulative.py"
    folder.mkdir()
    script.write_text(IN_PROCESS, encoding="utf-8")
    counts = write_cumulative(folder, size, studies)
    number = studies * len(counts)
    print(f"cumulative: {studies} studies, {len(counts)} reports each, of {counts[0]} to {counts[-1]} events")
    runs: dict[str, Run] = {}
    for kind in ("plain", "after"):
        url = f"sqlite:///{work}/{kind}.sqlite"
        command = [sys.executable, str(script), url, str(folder), kind, str(workers or 0)]
        run = runs[kind] = watched(command)
        show(f"  {kind}", run, replace(size, reports=number))
    wall, processor = (
        getattr(runs["plain"], of) / getattr(runs["after"], of) for of in ("wall_s", "processor_s")
    )
    print(f"  taking events over: {wall:.2f} times as fast, {processor:.2f} times by processor time")


def _watch(root: int, run: Run) -> None:
    """Note the memory of `root` and all below it until it ends (Linux)."""
    while processes := _tree(root):
        now = {pid: _resident_mb(pid) for pid in processes}
        run.together_mb = max(run.together_mb, sum(now.values()))
        for pid, used in now.items():
            run.memory_mb[pid] = max(used, run.memory_mb.get(pid, 0.0))
        if not now.get(root):
            return
        run.clock.append(time.time())
        run.processor.append(sum(map(_processor_s, processes)))
        time.sleep(0.1)


def _tree(root: int) -> list[int]:
    try:
        children = Path(f"/proc/{root}/task/{root}/children").read_text(encoding="ascii").split()
    except OSError:
        return []
    return [root, *(pid for child in children for pid in _tree(int(child)))]


def _resident_mb(pid: int) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS")), 0.0)


def _processor_s(pid: int) -> float:
    try:
        numbers = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(numbers[11]) + int(numbers[12])) / os.sysconf("SC_CLK_TCK")


def cost_of_tenths(ledger: Ledger, run: Run) -> list[float]:
    """Processor seconds per report in each tenth of the reports."""
    with ledger.reading() as reader:
        times = [e.recorded_at.timestamp() for e in reader.each_entry(kinds=["report-received"])]
    tenth = max(2, len(times) // 10)
    marks = [_used_until(run, moment) for moment in times[:-1:tenth]]
    return [(after - before) / tenth for before, after in itertools.pairwise(marks)]


def _used_until(run: Run, moment: float) -> float:
    """Processor time used by then, between two looks in proportion [s]."""
    after = min(max(1, bisect.bisect(run.clock, moment)), len(run.clock) - 1)
    start, end = run.clock[after - 1], run.clock[after]
    part = (moment - start) / (end - start)
    return run.processor[after - 1] + part * (run.processor[after] - run.processor[after - 1])


def show(title: str, run: Run, size: Size) -> None:
    """Print what one run cost."""
    counts = {key: run.document.get(key) for key in ("added", "already_held")}
    root = min(run.memory_mb, default=0)
    parent = run.memory_mb.pop(root, 0.0)
    print(f"{title}: {counts}, refused {len(list(run.document.get('refused', ())))}")  # type: ignore[call-overload]
    print(f"  {run.wall_s:.1f} s, {size.reports / run.wall_s:.0f} reports/s")
    print(f"  processor time / wall time {run.processor_s / run.wall_s:.2f}")
    children = ", ".join(f"{used:.0f}" for used in run.memory_mb.values()) or "none"
    print(f"  peak memory: parent {parent:.0f} MB, children {children} MB, together {run.together_mb:.0f} MB")


def main() -> None:
    """Write, ingest twice, verify."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--reports", type=int, default=2000)
    parser.add_argument("--events", type=int, default=150)
    parser.add_argument("--patients", type=int, default=400)
    parser.add_argument("--studies", type=int, default=40, help="of cumulative reports, eight each")
    parser.add_argument("--workers", type=int)
    parser.add_argument("--folder", type=Path, help="keep the reports here and use them again")
    given = parser.parse_args()
    size = Size(given.reports, given.events, given.patients)
    with tempfile.TemporaryDirectory() as work:
        folder = given.folder or Path(work) / "reports"
        folder.mkdir(parents=True, exist_ok=True)
        if not any(folder.iterdir()):
            write_all(folder, size)
        held = [file.stat().st_size for file in folder.iterdir()]
        print(f"{len(held)} reports of {size.events} events, {statistics.mean(held) / 1e3:.0f} kB each")
        url = f"sqlite:///{work}/ledger.sqlite"
        first = ingest(folder, url, workers=given.workers)
        show("first run", first, size)
        show("second run", ingest(folder, url, workers=given.workers), size)
        ledger = Ledger.open(url, create=False, clock=lambda: datetime.now(UTC))
        tenths = cost_of_tenths(ledger, first)
        print("  processor time per report by tenths [ms]:", " ".join(f"{cost * 1e3:.1f}" for cost in tenths))
        if len(tenths) > 1:
            print(f"  last tenth / first tenth {tenths[-1] / tenths[0]:.2f}")
        with ledger.reading() as reader:
            whole = verify_chain(reader)
        print(f"  chain: {whole.entries} entries, break: {whole.first_break}")
        ledger.close()
        show_cumulative(Path(work), size, studies=given.studies, workers=given.workers)


if __name__ == "__main__":
    main()
