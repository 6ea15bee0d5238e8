"""Killed at any moment, nothing that was acknowledged is lost and nothing is there twice or half.

A machine sends dose reports and a room makes entries, both into one ledger, while the receiver, the
process that reads for it and the process of the room are killed again and again.
"""

from __future__ import annotations

import random
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dosetrack.ledger import Ledger
from tests.services.killing import MOMENTS, RoomKills, free_port, kill_reader, kill_receiver, room, sender
from tests.services.receiving import Receiving, held_in

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/task").exists(), reason="looks at processes as Linux shows them"
)


@pytest.mark.parametrize(
    ("receivers", "readers", "rooms", "pause_s"),
    [
        pytest.param(7, 2, 11, 0.01, id="twenty"),
        pytest.param(110, 40, 70, 0.05, id="two-hundred-and-twenty", marks=pytest.mark.long),
    ],
)
def test_nothing_acknowledged_is_lost(
    tmp_path: Path, receivers: int, readers: int, rooms: int, pause_s: float
) -> None:
    seed = random.SystemRandom().randrange(1 << 32)
    print(f"seed {seed}")  # shown when the test fails
    chance = random.Random(seed)
    port = free_port()
    receiving = Receiving(tmp_path, port=port)
    machine, entries = sender(tmp_path, port, pause_s=pause_s), room(tmp_path, receiving.url)
    machine.start()
    beside = RoomKills(entries, rooms, seed)
    beside.start()
    for number in range(receivers):
        kill_receiver(receiving, chance, MOMENTS[number % len(MOMENTS)])
    receiving.start()
    for _ in range(readers):
        kill_reader(receiving, chance)
    beside.join()
    machine.kill()
    receiving.stop()  # it may stop with files waiting
    receiving.start()
    receiving.wait_until_drained()
    receiving.stop()

    answered, recorded = machine.noted(), entries.noted()
    print(f"kills: {receivers} of receivers, {readers} of readers, {beside.done} of rooms")
    print(f"{len(answered)} reports answered, {len(recorded)} entries recorded")
    assert beside.done == rooms
    assert len(answered) > receivers
    held = held_in(receiving.url)
    assert [uid for uid, times in Counter(held.uids).items() if times > 1] == []
    assert set(answered) - set(held.uids) == set()
    assert len(held.uids) - len(answered) <= 2, "at most what was on its way when the machine was ended"
    assert held.quarantined == []
    check_rows(receiving.url, recorded, rooms=rooms, reports=len(held.uids))


def check_rows(url: str, recorded: list[str], *, rooms: int, reports: int) -> None:
    """Entries once each, and rows of cases that hold all of what their entries say."""
    ledger = Ledger.open(url, create=False, clock=lambda: datetime.now(UTC))
    with ledger.reading() as reader:
        ids = [entry.id for entry in reader.each_entry()]
        assert len(ids) == len(set(ids))
        assert set(recorded) - set(ids) == set()
        rows = reader.case_totals()
        of_reports = [row for row in rows if row.reports]
        assert [(row.reports, row.events) for row in of_reports] == [(1, 2)] * reports
        of_rooms = [row for row in rows if not row.reports]
        assert len(of_rooms) <= rooms
        for row in of_rooms:
            readings = reader.entries(case=row.id, kinds=["console-reading"])
            values = [entry.payload.reference_air_kerma_mgy for entry in readings]  # type: ignore[union-attr]
            assert values == [float(number) for number in range(len(values))]
            prompts = reader.entries(case=row.id, kinds=["levels-reached"])
            assert len(prompts) == len({tuple(p.payload.levels) for p in prompts})  # type: ignore[union-attr]
    ledger.close()
