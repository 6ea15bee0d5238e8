"""How many dose reports a second the receiver takes over the network, each synced before it is answered.

    python tests/benchmarks/bench_receive.py [reports] [kilobytes per report]

Four associations send at once: pynetdicom as the sender, DCMTK's storescu beside it; with the process
that reads for the receiver stopped and running. It prints what it measured and never decides a test.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

from tests.services.receiving import RDSR, Receiving, report_bytes, wait_for  # noqa: E402

ASSOCIATIONS = 4
# one process of the sender with every association, so that sender and receiver have a core each
_SENDER = """
import glob, sys, threading, time
from pydicom import dcmread
from pynetdicom import AE
from tests.services.receiving import pause_reactor

port, folder, lanes = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
files = [dcmread(name) for name in sorted(glob.glob(folder + "/*.dcm"))]
ready = threading.Barrier(lanes + 1)
slowest, turn = [0.0], threading.Lock()

def send(mine):
    sender = AE(ae_title="INVENTED")
    sender.maximum_pdu_size = 1 << 17
    sender.add_requested_context("{rdsr}", "1.2.840.10008.1.2.1")
    made = sender.associate("127.0.0.1", port)
    assert made.is_established
    ready.wait()
    for data in mine:
        begin = time.perf_counter()
        pause_reactor(made)
        answer = made.send_c_store(data)
        assert answer.Status == 0, answer
        with turn:
            slowest[0] = max(slowest[0], time.perf_counter() - begin)
    made.release()

threads = [threading.Thread(target=send, args=(files[lane::lanes],)) for lane in range(lanes)]
for thread in threads:
    thread.start()
ready.wait()
begin = time.perf_counter()
for thread in threads:
    thread.join()
print(time.perf_counter() - begin, slowest[0])
""".replace("{rdsr}", RDSR)


@dataclass(frozen=True, slots=True)
class Rate:
    """Reports a second, and the longest wait for an answer [s] where it is known."""

    per_s: float
    slowest_s: float | None = None

    def __str__(self) -> str:
        """For the table."""
        waited = "" if self.slowest_s is None else f", slowest answer {1000 * self.slowest_s:.0f} ms"
        return f"{self.per_s:6.1f} reports/s{waited}"


def write_reports(folder: Path, *, reports: int, size: int) -> int:
    """Reports of about `size` bytes, each of another person; the size of one [byte]."""
    folder.mkdir()
    small, large = len(report_bytes(0, events=10)), len(report_bytes(0, events=30))
    events = max(1, round(10 + 20 * (size - small) / (large - small)))
    for number in range(reports):
        (folder / f"{number:05}.dcm").write_bytes(report_bytes(number, events=events))
    return len((folder / "00000.dcm").read_bytes())


def by_pynetdicom(port: int, folder: Path) -> Rate:
    """One process with four associations."""
    command = [sys.executable, "-c", _SENDER, str(port), str(folder), str(ASSOCIATIONS)]
    said = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=True).stdout.split()
    return Rate(len(list(folder.iterdir())) / float(said[0]), float(said[1]))


def by_storescu(port: int, folder: Path) -> Rate:
    """Four processes of one association each; the time includes their start."""
    names = sorted(str(path) for path in folder.glob("*.dcm"))
    begin = time.perf_counter()
    running = [
        subprocess.Popen(["storescu", "-xe", "127.0.0.1", str(port), *names[lane::ASSOCIATIONS]])
        for lane in range(ASSOCIATIONS)
    ]
    assert [process.wait() for process in running] == [0] * ASSOCIATIONS
    return Rate(len(names) / (time.perf_counter() - begin))


def measured(way: Callable[[int, Path], Rate], folder: Path, *, reads_beside: bool) -> tuple[Rate, float]:
    """The rate of sending, and how many a second had reached the ledger until the last one did."""
    with tempfile.TemporaryDirectory() as place:
        receiving = Receiving(Path(place)).start()
        wait_for(lambda: receiving.child() is not None, what="the process that reads")
        time.sleep(3.0)  # until it has loaded what it needs
        child = receiving.child()
        assert child is not None
        if not reads_beside:
            os.kill(child, signal.SIGSTOP)
        begin = time.perf_counter()
        rate = way(receiving.port, folder)
        if not reads_beside:
            os.kill(child, signal.SIGCONT)
            begin = time.perf_counter()
        waiting = receiving.spool / "waiting"
        wait_for(lambda: not any(waiting.iterdir()), what="an empty spool", longest_s=600)
        ingested = len(list(folder.iterdir())) / (time.perf_counter() - begin)
        receiving.stop()
    return rate, ingested


def bare_syncs(data: bytes, *, files: int = 100) -> float:
    """Files a second that the disk takes, each and its name synced, from four threads at once."""
    from dosetrack.services.spool import Spool

    with tempfile.TemporaryDirectory() as place:
        spool = Spool(Path(place))
        spool.prepare()
        lanes = [
            threading.Thread(target=lambda: [spool.accept(data) for _ in range(files // ASSOCIATIONS)])
            for _ in range(ASSOCIATIONS)
        ]
        begin = time.perf_counter()
        for lane in lanes:
            lane.start()
        for lane in lanes:
            lane.join()
        return files / (time.perf_counter() - begin)


def main() -> None:
    """Measure and print."""
    reports = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    size = 1000 * int(sys.argv[2]) if len(sys.argv) > 2 else 150_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "reports"
        one = write_reports(folder, reports=reports, size=size)
        print(
            f"{reports} reports of {one / 1000:.0f} kB, {ASSOCIATIONS} associations, {os.cpu_count()} cores"
        )
        sample = (folder / "00000.dcm").read_bytes()
        print(f"disk alone, written and synced:     {bare_syncs(sample):6.1f} files/s")
        for name, way in (("pynetdicom", by_pynetdicom), ("storescu", by_storescu)):
            for reads_beside in (False, True):
                rate, ingested = measured(way, folder, reads_beside=reads_beside)
                beside = "reading beside" if reads_beside else "not reading"
                print(f"{name + ', ' + beside + ':':35} {rate}; into the ledger {ingested:.1f}/s", flush=True)


if __name__ == "__main__":
    main()
