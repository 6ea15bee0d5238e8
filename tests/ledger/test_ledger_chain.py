"""Entries are only added, stand in a chain, and any change to them is found."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dosetrack.errors import ChainBrokenError, InputError, LedgerError
from dosetrack.ledger import Anchor, ChainReport, Ledger, pack_original, verify_chain
from dosetrack.records.entries import (
    CaseOpened,
    DataDeleted,
    Entry,
    FileQuarantined,
    Injection,
    NewEntry,
    PatientChanged,
    ReportReceived,
    SettingChanged,
    Withdrawn,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient

New = Callable[..., NewEntry]


def append(ledger: Ledger, *entries: NewEntry) -> list[Entry]:
    with ledger.transaction() as tx:
        return [tx.append(entry) for entry in entries]


def verified(ledger: Ledger, anchor: Anchor | None = None) -> ChainReport:
    with ledger.reading() as read:
        return verify_chain(read, anchor=anchor)


def tamper(file: Path, *statements: str) -> None:
    """Edit the file as somebody with a database tool would."""
    with sqlite3.connect(file) as raw:
        for (trigger,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {trigger}")
        for statement in statements:
            raw.execute(statement)
    raw.close()


def test_an_entry_sent_twice_under_one_id_is_recorded_once(ledger: Ledger, new: New) -> None:
    first, again = append(ledger, replace(new("6 mL"), id="pump-17"), replace(new("other"), id="pump-17"))
    assert again == first
    assert first.id == "pump-17"
    with ledger.reading() as read:
        assert read.position() == 1
        assert read.entry("pump-17") == first


def test_entry_is_read_back_as_it_was_recorded(ledger: Ledger, new: New) -> None:
    first, second = append(
        ledger, new("größer ≥ 3 Gy, 患者, \u202e🩻"), new(Injection(6.0), reason="undiluted")
    )
    with ledger.reading() as read:
        assert read.entries() == (first, second)
        assert read.entry(second.id) == second
        assert read.entry("nobody") is None
        assert read.position() == 2
    assert (first.seq, second.seq) == (1, 2)
    assert second.previous_digest == first.digest
    assert second.actor.is_claimed
    assert second.recorded_at > second.happened_at


def test_entries_are_chosen_by_case_kind_and_position(ledger: Ledger, new: New) -> None:
    kept = append(ledger, new(), new(Injection(1.0)), new(case="case-2"), new(case=None), new(Injection(2.0)))
    with ledger.reading() as read:
        assert [entry.seq for entry in read.entries(case="case-1")] == [1, 2, 5]
        assert [entry.seq for entry in read.entries(case="case-1", after_seq=2)] == [5]
        assert [entry.seq for entry in read.entries(kinds=["injection"])] == [2, 5]
        assert [entry.seq for entry in read.entries(limit=2)] == [1, 2]
        assert tuple(read.each_entry(after_seq=1)) == tuple(kept[1:])
        assert read.case_ids() == ("case-1", "case-2")


def test_digest_can_be_worked_out_by_hand(ledger: Ledger, file: Path, new: New) -> None:
    """The form of the digest, written out once more from its description."""
    (made,) = append(ledger, new("said", reason="why"))
    with sqlite3.connect(file) as raw:
        salt, body = raw.execute("SELECT salt, body FROM payload").fetchone()
        (ledger_id,) = raw.execute("SELECT value FROM meta WHERE key = 'ledger_id'").fetchone()
    raw.close()
    assert made.previous_digest == hashlib.sha256(b"ledger " + ledger_id.encode()).hexdigest()
    assert made.payload_digest == hashlib.sha256(salt + b'{"text":"said"}').hexdigest()
    assert body == '{"text":"said"}'
    columns = [
        "entry-1", 1, made.id, "note", "case-1", "2026-03-01T07:55:00+00:00", made.recorded_at.isoformat(),
        "Invented Nurse", "room", 1, "why", None, made.payload_digest, made.previous_digest,
    ]  # fmt: skip
    assert made.digest == hashlib.sha256(json.dumps(columns, separators=(",", ":")).encode()).hexdigest()


def test_same_words_have_different_digests(ledger: Ledger, new: New) -> None:
    first, second = append(ledger, new("same"), new("same"))
    assert first.payload_digest != second.payload_digest, "else a deleted text could be found by guessing"


def test_correction_keeps_what_it_corrects(ledger: Ledger, new: New) -> None:
    (wrong,) = append(ledger, new(Injection(60.0)))
    right, gone = append(
        ledger,
        new(Injection(6.0), replaces=wrong.id, reason="typing error"),
        new(Withdrawn(), replaces=wrong.id),
    )
    with ledger.reading() as read:
        assert read.entry(wrong.id) == wrong
        assert [entry.replaces for entry in read.entries()] == [None, wrong.id, wrong.id]
    assert (right.replaces, right.reason) == (wrong.id, "typing error")
    assert gone.payload == Withdrawn()
    assert verified(ledger).first_break is None


def test_correction_of_nothing_is_refused(ledger: Ledger, new: New) -> None:
    with pytest.raises(LedgerError, match="to be replaced"):
        append(ledger, new(replaces="nobody"))
    assert ledger.position() == 0


def test_offsets_stay_as_given(ledger: Ledger, new: New) -> None:
    at = datetime(2026, 10, 25, 2, 30, tzinfo=ZoneInfo("Europe/Zurich"), fold=1)
    (made,) = append(ledger, replace(new(), happened_at=at))
    with ledger.reading() as read:
        back = read.entries()[0]
    assert back == made
    assert back.happened_at.isoformat() == "2026-10-25T02:30:00+01:00"
    assert back.happened_at.utcoffset() == timedelta(hours=1)
    assert made.happened_at.tzinfo == timezone(timedelta(hours=1))


def test_time_without_an_offset_is_refused(ledger: Ledger, new: New) -> None:
    with pytest.raises(InputError, match="offset"):
        append(ledger, replace(new(), happened_at=datetime(2026, 1, 1)))  # noqa: DTZ001


def test_clock_set_back_does_not_change_the_order(file: Path, new: New) -> None:
    times = iter([datetime(2026, 3, 1, 8, minute, tzinfo=ZoneInfo("UTC")) for minute in (0, 30, 10)])
    ledger = Ledger.open(f"sqlite:///{file}", create=True, clock=lambda: next(times))
    later, earlier = append(ledger, new("first"), new("second"))
    assert later.recorded_at > earlier.recorded_at
    with ledger.reading() as read:
        assert read.entries() == (later, earlier)
    assert verified(ledger).first_break is None
    ledger.close()


@pytest.mark.parametrize("field", ["actor", "reason", "case"])
def test_broken_characters_are_refused_anywhere(ledger: Ledger, new: New, field: str) -> None:
    bad = {"actor": Actor("\ud800", Role.ROOM), "reason": "\ud800", "case": "\ud800"}[field]
    with pytest.raises(InputError):
        append(ledger, replace(new(), **{field: bad}))


def test_exception_leaves_nothing_behind(ledger: Ledger, new: New) -> None:
    append(ledger, new("before"))

    def half_a_step() -> None:
        with ledger.transaction() as tx:
            tx.append(new("lost"))
            tx.hold_original(b"lost", "lost.dcm")
            raise RuntimeError("stopped half-way")

    with pytest.raises(RuntimeError, match="half-way"):
        half_a_step()
    with ledger.reading() as read:
        assert read.position() == 1
        assert not read.holds_original(hashlib.sha256(b"lost").hexdigest())
    (after,) = append(ledger, new("after"))
    assert after.seq == 2
    assert verified(ledger).first_break is None


# what somebody may do to the file ----------------------------------------------------------------


@pytest.mark.parametrize(
    "statement", ["UPDATE entry SET actor = 'x'", "DELETE FROM entry", "UPDATE payload SET body = ''"]
)
def test_rows_cannot_be_changed_by_mistake(ledger: Ledger, file: Path, new: New, statement: str) -> None:
    append(ledger, new())
    raw = sqlite3.connect(file)
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        raw.execute(statement)
    raw.close()


@pytest.mark.parametrize(
    ("statement", "seq", "words"),
    [
        ("UPDATE entry SET actor = 'Somebody Else' WHERE seq = 2", 2, "altered"),
        ("UPDATE entry SET reason = 'x' WHERE seq = 3", 3, "altered"),
        ("UPDATE entry SET happened_at = '2026-03-01T07:54:00+00:00' WHERE seq = 1", 1, "altered"),
        ("UPDATE entry SET kind = 'withdrawn' WHERE seq = 2", 2, "altered"),
        (
            "UPDATE payload SET body = replace(body, '6.0', '5.0') WHERE seq = 2",
            2,
            "what it says was altered",
        ),
        ("UPDATE payload SET salt = x'00' WHERE seq = 2", 2, "what it says was altered"),
        ("DELETE FROM payload WHERE seq = 2", 2, "no entry tells of a deletion"),
        ("DELETE FROM entry WHERE seq = 2", 3, "missing"),
        ("UPDATE meta SET value = 'another' WHERE key = 'ledger_id'", 1, "does not follow"),
        ("DELETE FROM original", 4, "no original"),
        ("UPDATE original SET packed = x'0102'", 4, "altered"),
    ],
)
def test_every_alteration_is_found(
    ledger: Ledger, file: Path, new: New, statement: str, seq: int, words: str
) -> None:
    with ledger.transaction() as tx:
        for payload in ("one", Injection(6.0), "three"):
            tx.append(new(payload))
        sha256 = tx.hold_original(b"bytes of a report", "r.dcm")
        tx.append(new(ReportReceived(sha256, "r.dcm", "rdsr")))
    whole = verified(ledger)
    assert (whole.entries, whole.originals, whole.first_break) == (4, 1, None)
    tamper(file, statement)
    found = verified(ledger)
    assert found.first_break is not None
    assert found.first_break.seq == seq
    assert words in found.first_break.reason
    with pytest.raises(ChainBrokenError, match=f"entry {seq}"):
        found.require_whole()


def test_original_swapped_for_another_is_found(ledger: Ledger, file: Path, new: New) -> None:
    with ledger.transaction() as tx:
        sha256 = tx.hold_original(b"as sent", "r.dcm")
        tx.append(new(FileQuarantined(sha256, "r.dcm", "unreadable")))
    other = pack_original(b"not as sent").packed.hex()
    tamper(file, f"UPDATE original SET packed = x'{other}'")
    assert "another digest" in str(verified(ledger).first_break)
    with ledger.reading() as read, pytest.raises(LedgerError, match="altered"):
        read.original(sha256)


def test_cut_tail_is_found_with_a_noted_head(ledger: Ledger, file: Path, new: New) -> None:
    append(ledger, new("one"), new("two"))
    noted = verified(ledger).head
    append(ledger, new("three"))
    assert verified(ledger, noted).first_break is None
    tamper(file, "DELETE FROM payload WHERE seq > 1", "DELETE FROM entry WHERE seq > 1")
    assert verified(ledger).first_break is None, "without the note, a shorter chain looks whole"
    assert "ends before" in str(verified(ledger, noted).first_break)
    append(ledger, new("two, remade"))
    assert "last verified" in str(verified(ledger, noted).first_break)


def test_empty_ledger_is_whole(ledger: Ledger) -> None:
    report = verified(ledger)
    assert (report.entries, report.head, report.first_break) == (0, None, None)
    report.require_whole()


# deleting a person's data ------------------------------------------------------------------------


def test_deleted_data_is_gone_and_the_chain_holds(ledger: Ledger, file: Path, new: New, nurse: Actor) -> None:
    person = Patient(id="ZZ4711", name="Invented^Vanishing")
    with ledger.transaction() as tx:
        opened = tx.append(new(CaseOpened("1", person)))
        sha256 = tx.hold_original(b"report of Invented^Vanishing", "ZZ4711.dcm")
        received = tx.append(new(ReportReceived(sha256, "ZZ4711.dcm", "rdsr")))
        swapped = tx.append(new(PatientChanged(person)))
        kept = tx.append(new("stays", case="case-2"))
    with ledger.transaction() as tx:
        told = tx.delete_payloads(
            [opened.id, received.id, swapped.id], actor=nurse, reason="asked by the person"
        )
    assert told.payload == DataDeleted((opened.id, received.id, swapped.id))
    assert (told.case, told.reason) == ("case-1", "asked by the person")
    with ledger.reading() as read:
        assert read.entry(opened.id) == replace(opened, payload=None)
        assert read.entry(kept.id) == kept
        assert not read.holds_original(sha256)
    report = verified(ledger)
    assert (report.first_break, report.deleted_payloads, report.entries) == (None, 3, 5)
    stored = b"".join(path.read_bytes() for path in file.parent.iterdir())
    for trace in (b"ZZ4711", b"Vanishing"):
        assert trace not in stored


def test_original_another_entry_names_stays(ledger: Ledger, new: New, nurse: Actor) -> None:
    with ledger.transaction() as tx:
        sha256 = tx.hold_original(b"sent twice", "a.dcm")
        first = tx.append(new(ReportReceived(sha256, "a.dcm", "rdsr")))
        tx.append(new(ReportReceived(sha256, "b.dcm", "rdsr"), case="case-2"))
        tx.delete_payloads([first.id], actor=nurse, reason="r")
        assert tx.original(sha256) == b"sent twice"
    assert verified(ledger).first_break is None


def test_deletion_itself_cannot_be_deleted(ledger: Ledger, new: New, nurse: Actor) -> None:
    (entry,) = append(ledger, new())
    with ledger.transaction() as tx:
        told = tx.delete_payloads([entry.id], actor=nurse, reason="r")
    for ids, words in (([told.id], "must stay"), (["nobody"], "not in the ledger")):
        with pytest.raises(LedgerError, match=words), ledger.transaction() as tx:
            tx.delete_payloads(ids, actor=nurse, reason="r")
    assert ledger.position() == 2


# originals and settings --------------------------------------------------------------------------


def test_original_is_held_once(ledger: Ledger) -> None:
    data = bytes(range(256)) * 50
    with ledger.transaction() as tx:
        sha256 = tx.hold_original(data, "first.dcm")
        assert tx.hold_original(pack_original(data), "second.dcm") == sha256
        assert sha256 == hashlib.sha256(data).hexdigest()
    with ledger.reading() as read:
        assert read.original(sha256) == data
        row = read.original_row(sha256)
        assert row is not None
        assert (row.file, row.size) == ("first.dcm", len(data))
        assert read.original_row("none") is None
        with pytest.raises(LedgerError, match="held"):
            read.original("none")


def test_settings_keep_their_history(ledger: Ledger, new: New) -> None:
    def change(value: str, **rest: str) -> NewEntry:
        return new(SettingChanged("invented", "room:1", value, "2026-03-01", "a paper"), case=None, **rest)

    (first,) = append(ledger, change("1", reason="start"))
    second, _note = append(ledger, change("2", replaces=first.id), new())
    append(ledger, new(Withdrawn(), case=None, replaces=second.id))
    with ledger.reading() as read:
        history = read.setting_history(key="invented")
        assert [(row.value, row.replaced_by) for row in history] == [("1", 2), ("2", 4)]
        assert (history[0].reason, history[0].source) == ("start", "a paper")
        assert history[0].actor.role is Role.ROOM
        assert read.setting_history(key="other") == ()
        assert [row.replaced_by for row in read.setting_history(up_to_seq=3)] == [2, None]
        assert [row.replaced_by for row in read.setting_history(up_to_seq=1)] == [None]
