"""A full disk, a locked ledger, a server beside it: senders are told, nothing is lost, all goes on."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.services.killing import free_port
from tests.services.receiving import (
    PROJECT,
    ROOT,
    Receiving,
    association,
    held_in,
    report_bytes,
    send,
    wait_for,
)

SUCCESS, OUT_OF_RESOURCES = 0x0000, 0xA700
MEGABYTE = 1 << 20


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 8 MB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode:
        pytest.fail(
            f"a small disk cannot be mounted ({mounted.stderr.strip()}); run the tests as root, in a "
            "container with the capability SYS_ADMIN",
            pytrace=False,
        )
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_full_disk_is_told_and_nothing_answered_is_lost(small_disk: Path) -> None:
    """Spool and ledger on one disk, which other files fill."""
    receiving = Receiving(small_disk).start()
    reports = [report_bytes(number, events=30) for number in range(40)]
    filler = small_disk / "filler"
    try:
        with association(receiving.port) as made:
            assert [send(made, data) for data in reports[:5]] == [SUCCESS] * 5
            with filler.open("wb") as stream:
                free = os.statvfs(small_disk)
                stream.write(b"x" * max(0, free.f_bavail * free.f_bsize - MEGABYTE))
            answers = [send(made, data) for data in reports]
            assert OUT_OF_RESOURCES in answers
            assert set(answers) == {SUCCESS, OUT_OF_RESOURCES}
            filler.unlink()
            left = [data for data, answer in zip(reports, answers, strict=True) if answer != SUCCESS]
            assert [send(made, data) for data in left] == [SUCCESS] * len(left)
        receiving.wait_until_drained()
    finally:
        receiving.stop()
    held = held_in(receiving.url)
    assert held.uids == sorted(f"{ROOT}.9.{number}" for number in range(40))
    assert held.quarantined == []


@pytest.mark.parametrize("locked_s", [2, pytest.param(40, marks=pytest.mark.long)])
def test_ledger_locked_by_another_process_delays_no_answer(tmp_path: Path, locked_s: float) -> None:
    receiving = Receiving(tmp_path).start()
    try:
        with association(receiving.port) as made:
            assert send(made, report_bytes(0)) == SUCCESS
            receiving.wait_until_drained()
            other = sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)
            other.execute("BEGIN IMMEDIATE")
            released = time.monotonic() + locked_s
            begin = time.monotonic()
            assert [send(made, report_bytes(number)) for number in range(1, 6)] == [SUCCESS] * 5
            assert time.monotonic() - begin < locked_s
        time.sleep(max(0.0, released - time.monotonic()))
        assert len(list((receiving.spool / "waiting").iterdir())) == 5
        other.execute("ROLLBACK")
        other.close()
        receiving.wait_until_drained()
    finally:
        receiving.stop()
    assert held_in(receiving.url).uids == [f"{ROOT}.9.{number}" for number in range(6)]


def test_receiver_and_server_share_one_ledger(tmp_path: Path) -> None:
    receiving, web = Receiving(tmp_path).start(), free_port()
    command = [sys.executable, "-m", "dosetrack", "serve", "--port", str(web), "--ledger", receiving.url]
    server = subprocess.Popen(command, cwd=PROJECT, stderr=subprocess.DEVNULL)
    try:
        wait_for(lambda: answers(web), what="the server")
        sending = threading.Thread(target=send_many, args=(receiving.port, range(20)))
        sending.start()
        while sending.is_alive():
            assert answers(web)
        sending.join()
        receiving.wait_until_drained()
        assert answers(web)
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(30)
        receiving.stop()
    assert len(held_in(receiving.url).uids) == 20


def send_many(port: int, numbers: range) -> None:
    with association(port) as made:
        for number in numbers:
            assert send(made, report_bytes(number)) == SUCCESS


def answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as page:
            return bool(page.status == 200)
    except OSError:
        return False


def test_folder_belongs_to_one_receiver_and_what_waited_goes_first(tmp_path: Path) -> None:
    receiving = Receiving(tmp_path).start()
    child = receiving.child()
    while child is None:
        child = receiving.child()
    os.kill(child, signal.SIGSTOP)
    send_many(receiving.port, range(7))
    second = [sys.executable, "-m", "dosetrack", "receive", "--port", "0", "--spool", str(receiving.spool)]
    done = subprocess.run(
        [*second, "--ledger", receiving.url], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "another receiver keeps its files there" in done.stderr
    receiving.kill()
    os.kill(child, signal.SIGKILL)
    receiving.launch()
    assert receiving.said_until(r"(\d+) received files from before were taken in") == ("7",)
    receiving.said_until(r"Receiving as (DOSE)")
    receiving.stop()
    assert len(held_in(receiving.url).uids) == 7
