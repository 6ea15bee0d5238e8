"""Processes that are killed at any moment while others send to them, and what each was told."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

from tests.services.receiving import LONGEST_S, PROJECT, Receiving, wait_for

# Sends reports, each until it is answered success, over two associations at a time; notes the UIDs
# that were answered, one a line, as soon as the answer is there.
_SENDER = """
import io, sys, threading, time
from pydicom import dcmread
from pynetdicom import AE
from tests.services.receiving import RDSR, ROOT, report_bytes

port, noted, pause_s = int(sys.argv[1]), open(sys.argv[2], "a"), float(sys.argv[3])
turn, number = threading.Lock(), [0]

def connected():
    while True:
        sender = AE(ae_title="INVENTED")
        sender.add_requested_context(RDSR, "1.2.840.10008.1.2.1")
        made = sender.associate("127.0.0.1", port)
        if made.is_established:
            return made
        time.sleep(0.02)

def answer_to(made, data):
    try:
        return made.send_c_store(data).get("Status")
    except RuntimeError:  # it was cut between two reports
        return None

def send_on():
    made = connected()
    while True:
        with turn:
            number[0] += 1
            mine = number[0]
        data = dcmread(io.BytesIO(report_bytes(mine)))
        while answer_to(made, data) != 0:
            made.abort()
            made = connected()
        with turn:
            print(data.SOPInstanceUID, file=noted, flush=True)
        time.sleep(pause_s)

for _ in range(2):
    threading.Thread(target=send_on).start()
"""

# Opens a case and makes entries in it, as the server does for the room; notes the id of each entry
# once the workflow has said that it is recorded.
_ROOM = """
import sys
from dataclasses import replace
from dosetrack.records.entries import ConsoleReading
from dosetrack.workflow import open_workflow
from tests.workflow.invented import NURSE, OPENING

url, noted, room = sys.argv[1], open(sys.argv[2], "a"), sys.argv[3]
workflow = open_workflow(url, create=True)
opening = replace(OPENING, room=room, patient=replace(OPENING.patient, id=room), accession_number=None)
made = workflow.open_case(opening, actor=NURSE)
print(made.entry_id, file=noted, flush=True)
for number in range(100_000):
    reading = ConsoleReading(reference_air_kerma_mgy=float(number))
    made = workflow.record(made.case_id, reading, actor=NURSE, is_confirmed=True)
    print(made.entry_id, file=noted, flush=True)
"""


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


class Noting:
    """A script that notes in a file what was acknowledged to it."""

    def __init__(self, script: str, file: Path, *arguments: object) -> None:
        self._script = script
        self._file = file
        self._arguments = [str(word) for word in arguments]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, *more: object) -> None:
        """Begin, or begin again."""
        words = [*self._arguments[:1], str(self._file), *self._arguments[1:], *map(str, more)]
        command = [sys.executable, "-c", self._script, *words]
        self._process = subprocess.Popen(command, cwd=PROJECT, env=os.environ | {"PYTHONPATH": str(PROJECT)})

    def kill(self) -> None:
        """End it in the middle of whatever it does."""
        assert self._process is not None
        assert self._process.poll() is None, "it ended by itself"
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()

    def noted(self) -> list[str]:
        """What it noted until now, whole lines only."""
        text = self._file.read_text() if self._file.exists() else ""
        return [line.strip() for line in text.splitlines(keepends=True) if line.endswith("\n")]


def sender(folder: Path, port: int, *, pause_s: float) -> Noting:
    """A machine that sends dose reports."""
    return Noting(_SENDER, folder / "answered", port, pause_s)


def room(folder: Path, url: str) -> Noting:
    """A room whose entries are recorded."""
    return Noting(_ROOM, folder / "recorded", url)


MOMENTS = ("receiving", "starting", "receiving", "reading")


def kill_receiver(receiving: Receiving, chance: random.Random, moment: str) -> None:
    """Start it and kill it at some time in this `moment` of its life."""
    if moment == "starting":  # it takes in what waits, before it accepts anything
        receiving.launch()
        time.sleep(chance.uniform(0.5, 2.5))
    else:
        receiving.start()
        time.sleep(chance.uniform(0.0, 0.3))
    if moment == "reading":  # while the process below it reads and writes the ledger
        wait_for(lambda: receiving.child() is not None, what="the process that reads")
        time.sleep(chance.uniform(0.5, 2.0))
    receiving.kill()


def kill_reader(receiving: Receiving, chance: random.Random) -> None:
    """Kill the process below a running receiver that reads what was received."""
    before = receiving.child()
    wait_for(lambda: receiving.child() not in (None, before), what="another process that reads")
    time.sleep(chance.uniform(0.3, 2.0))
    child = receiving.child()
    if child is not None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)


class RoomKills(threading.Thread):
    """Kills a room's process again and again beside everything else."""

    def __init__(self, made: Noting, kills: int, seed: int) -> None:
        super().__init__(name="room kills")
        self._made = made
        self._kills = kills
        self._chance = random.Random(seed)
        self.done = 0

    def run(self) -> None:
        """Until so many kills are done; each life makes at least one entry."""
        for number in range(self._kills):
            before = len(self._made.noted())
            self._made.start(f"Room {number}")
            last = time.monotonic() + LONGEST_S
            while len(self._made.noted()) <= before and time.monotonic() < last:
                time.sleep(0.01)
            time.sleep(self._chance.uniform(0.0, 0.3))
            self._made.kill()
            self.done += 1
