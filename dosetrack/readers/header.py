"""What stands outside the content tree: patient, equipment, procedure, operators, identity."""

from __future__ import annotations

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.elements import Span, Walker
from dosetrack.readers.text import TextDecoder, iso_date, iso_date_and_time, iso_offset
from dosetrack.records.report import Equipment, Patient, Procedure, ReportIdentity
from dosetrack.tables import constants


class Header:
    """The top-level elements of a data set, decoded on demand.

    Attributes
    ----------
    decoder : for all text of the data set
    offset : of the whole data set from UTC, '+01:00', where a valid one was sent
    findings : what was unusual
    """

    def __init__(self, walker: Walker, elements: dict[int, Span]) -> None:
        self.walker = walker
        self.elements = elements
        self.findings: list[Finding] = []
        declared = self.raw(0x00080005).decode("ascii", "replace")
        self.decoder = TextDecoder(tuple(term.strip(" \0") for term in declared.split("\\")))
        sent = self.raw(0x00080201).decode("ascii", "replace").strip(" \0")
        self.offset = iso_offset(sent)
        if sent and self.offset is None:
            self.findings.append(finding(FindingCode.OFFSET_INVALID, offset=sent))

    def raw(self, tag: int, elements: dict[int, Span] | None = None) -> bytes:
        """The bytes of `tag`, empty when it is absent."""
        span = (self.elements if elements is None else elements).get(tag)
        return b"" if span is None else self.walker.data[span.start : span.end]

    def text(self, tag: int, elements: dict[int, Span] | None = None) -> str | None:
        """The text of `tag`; None when absent or empty."""
        return self.decoder.text(self.raw(tag, elements))

    def uid(self, tag: int) -> str | None:
        """The UID of `tag`; None when absent or empty."""
        return self.raw(tag).strip(b" \0").decode("ascii", "replace") or None

    def word(self, tag: int, elements: dict[int, Span] | None = None) -> str | None:
        """The first code word of `tag` in capitals; None when absent or empty."""
        words = self.words(tag, elements)
        return words[0] or None if words else None

    def words(self, tag: int, elements: dict[int, Span] | None = None) -> list[str]:
        """Every code word of `tag` in capitals, empty ones in their place."""
        raw = self.raw(tag, elements).strip(b" \0")
        return [word.strip().upper() for word in raw.decode("latin-1").split("\\")] if raw else []

    def names(self, tag: int, elements: dict[int, Span] | None = None) -> tuple[str, ...]:
        """The person names of `tag`, in order, as sent."""
        return self.decoder.names(self.raw(tag, elements))

    def guessed_text(self) -> list[Finding]:
        """A finding where some text so far was not in the character set declared."""
        if not self.decoder.was_guessed:
            return []
        declared = ", ".join(term for term in self.decoder.declared if term) or "none"
        return [finding(FindingCode.CHARACTER_SET_GUESSED, declared=declared)]

    def items(self, tag: int, elements: dict[int, Span] | None = None) -> list[dict[int, Span]]:
        """The items of the sequence `tag`; none when absent."""
        span = (self.elements if elements is None else elements).get(tag)
        return [] if span is None else self.walker.items(span)

    def identity(self) -> ReportIdentity:
        """Which object it is."""
        accession = self.text(0x00080050)
        if accession is None:
            for request in self.items(0x0040A370):
                accession = accession or self.text(0x00080050, request)
        return ReportIdentity(
            sop_class_uid=self.uid(0x00080016),
            sop_instance_uid=self.uid(0x00080018),
            study_instance_uid=self.uid(0x0020000D),
            accession_number=accession,
            completion=self.text(0x0040A491),
            reported_at=iso_date_and_time(self.raw(0x00080023), self.raw(0x00080033), offset=self.offset),
        )

    def patient(self) -> Patient:
        """Who was irradiated. Patient's Size is sent in metres."""
        sex = (self.text(0x00100040) or "").upper()
        birth = self.raw(0x00100030).strip(b" \0")
        birth_date = iso_date(birth) if birth else None
        if birth and birth_date is None:
            self.findings.append(finding(FindingCode.BIRTH_DATE_UNREADABLE))
        height_m = self._size(0x00101020, "height", "m")
        return Patient(
            id=self.text(0x00100020),
            id_issuer=self.text(0x00100021),
            name=self.decoder.name(self.raw(0x00100010)),
            sex=sex if sex in ("F", "M", "O") else None,
            birth_date=birth_date,
            weight_kg=self._size(0x00101030, "weight", "kg"),
            height_cm=None if height_m is None else round(height_m * 100.0, 6),
        )

    def _size(self, tag: int, what: str, unit: str) -> float | None:
        raw = self.raw(tag).strip(b" \0").replace(b",", b".")
        if not raw:
            return None
        try:
            size = float(raw) if b"_" not in raw else -1.0
        except ValueError:
            size = -1.0
        bounds = constants("plausibility")[f"report_patient_{what}"]
        if float(bounds.low) <= size <= float(bounds.high):
            return size
        sent = raw.decode("latin-1")
        self.findings.append(finding(FindingCode.PATIENT_SIZE_IMPOSSIBLE, what=what, number=sent, unit=unit))
        return None

    def equipment(self, observer: dict[str, str]) -> Equipment:
        """The x-ray system; `observer` (device facts told in the content) fills what the header lacks."""
        return Equipment(
            manufacturer=self.text(0x00080070) or observer.get("manufacturer"),
            model=self.text(0x00081090) or observer.get("model"),
            station=self.text(0x00081010) or observer.get("name"),
            serial=self.text(0x00181000) or observer.get("serial"),
            institution=self.text(0x00080080),
        )

    def procedure(self, *, protocol: str | None, started_at: str | None, ended_at: str | None) -> Procedure:
        """What was done.

        The label is the first present of performed step, requested procedure and study
        description, meaning of the performed procedure's code, and `protocol`. Start and end are
        those of the performed step where told, else `started_at` and `ended_at` of the events,
        else the study's start.
        """
        requests = [*self.items(0x0040A370), *self.items(0x00400275)]
        performed = [*self.items(0x0040A372), *self.items(0x00081032)]
        requested = self.text(0x00321060)
        for request in requests:
            requested = requested or self.text(0x00321060, request)
        meaning = code = scheme = None
        for entry in performed:
            meaning = meaning or self.text(0x00080104, entry)
            if code is None:
                code, scheme = self.text(0x00080100, entry), self.text(0x00080102, entry)
        return Procedure(
            label=self.text(0x00400254) or requested or self.text(0x00081030) or meaning or protocol,
            code=code,
            coding_scheme=scheme,
            started_at=self._moment(0x00400244, 0x00400245)
            or started_at
            or self._moment(0x00080020, 0x00080030),
            ended_at=self._moment(0x00400250, 0x00400251) or ended_at,
        )

    def _moment(self, day: int, clock: int) -> str | None:
        return iso_date_and_time(self.raw(day), self.raw(clock), offset=self.offset)
