"""Text, names, dates and times as a dose report writes them (PS3.5 sections 6.1 and 6.2).

Plain ASCII and the common sets are decoded here; those with code extensions by pydicom's tables,
which are imported only then. Person names keep the form they were sent in ('Family^Given'); how a name is
shown is for the views.
"""

from __future__ import annotations

import re
from datetime import date, time

_DATETIME = re.compile(r"(\d{4})(\d{2})?(\d{2})?(\d{2})?(\d{2})?(\d{2})?(\.\d{1,6})?([+-]\d{4})?")
_DATE = re.compile(r"(\d{4})[.-]?(\d{2})[.-]?(\d{2})")
_OFFSET = re.compile(r"([+-])(\d{2})(\d{2})")
CODECS = {
    "ISO_IR 192": "utf-8",
    "ISO_IR 100": "latin-1",
    "ISO_IR 101": "iso8859-2",
    "ISO_IR 109": "iso8859-3",
    "ISO_IR 110": "iso8859-4",
    "ISO_IR 144": "iso8859-5",
    "ISO_IR 126": "iso8859-7",
    "ISO_IR 148": "iso8859-9",
    "ISO_IR 203": "iso8859-15",
    "GB18030": "gb18030",
    "GBK": "gbk",
}
"""Character sets without code extensions that Python decodes as they are, PS3.3 section C.12.1.1.2."""


class TextDecoder:
    """Decodes text of a data set whose Specific Character Set is `declared` (values split).

    Attributes
    ----------
    was_guessed : some text was neither plain nor in the character set declared
    """

    def __init__(self, declared: tuple[str, ...]) -> None:
        self.declared = declared
        self.was_guessed = False

    def text(self, raw: bytes) -> str | None:
        """The text of `raw` without padding; None when nothing is left."""
        plain = raw.strip(b" \0")
        if not plain:
            return None
        if plain.isascii() and b"\x1b" not in plain:
            return plain.decode("ascii")
        return self._decoded(plain, is_name=False).strip() or None

    def name(self, raw: bytes) -> str | None:
        """A person's name as sent, trailing separators taken off; None when nothing is left."""
        names = self.names(raw)
        return names[0] if names else None

    def names(self, raw: bytes) -> tuple[str, ...]:
        """Every person's name of a value that may hold several, as sent."""
        plain = raw.strip(b" \0")
        if plain.isascii() and b"\x1b" not in plain:
            text = plain.decode("ascii")
        else:
            text = self._decoded(plain, is_name=True)
        return tuple(name for name in map(_trimmed_name, text.split("\\")) if name)

    def _decoded(self, raw: bytes, *, is_name: bool) -> str:
        if not any(self.declared):
            return self._guessed(raw)
        codec = CODECS.get(self.declared[0]) if len(self.declared) == 1 else None
        if codec is not None:
            try:
                return raw.decode(codec)
            except UnicodeDecodeError:
                return self._guessed(raw)
        return self._by_pydicom(raw, is_name=is_name)

    def _by_pydicom(self, raw: bytes, *, is_name: bool) -> str:
        import warnings

        from pydicom.charset import convert_encodings, decode_bytes
        from pydicom.valuerep import PN_DELIMS, TEXT_VR_DELIMS

        delimiters = PN_DELIMS if is_name else TEXT_VR_DELIMS
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                decoded: str = decode_bytes(raw, convert_encodings(list(self.declared)), delimiters)
                return decoded
            except (UserWarning, ValueError, LookupError):
                return self._guessed(raw)

    def _guessed(self, raw: bytes) -> str:
        """UTF-8 where the bytes are that, else Latin-1, which takes any byte."""
        self.was_guessed = True
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError:
            return raw.decode("latin-1")


def _trimmed_name(text: str) -> str:
    """A name without the empty components and component groups at its end."""
    groups = [group.strip().rstrip("^").strip() for group in text.split("=")]
    while groups and not groups[-1]:
        groups.pop()
    return "=".join(groups)


def iso_datetime(raw: bytes, *, offset: str | None = None) -> str | None:
    """A DICOM date-time as ISO 8601 with the digits sent; None when it is not one.

    `offset` ('+01:00') is of the whole data set and stands in where the value brings none; it is
    not put behind a bare date.

    Examples
    --------
    >>> iso_datetime(b"20240131093005.25+0100")
    '2024-01-31T09:30:05.25+01:00'
    """
    match = _DATETIME.fullmatch(raw.strip(b" \0").decode("latin-1"))
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, own_offset = match.groups()
    if fraction and second is None:
        return None
    if not _is_date(year, month or "01", day or "01"):
        return None
    text = "-".join(part for part in (year, month, day) if part is not None)
    if hour is None:
        return text
    if not _is_time(hour, minute or "00", second or "00"):
        return None
    text += f"T{hour}:{minute or '00'}"
    if second is not None:
        text += f":{second}{fraction or ''}"
    zone = iso_offset(own_offset) if own_offset else offset
    return text + (zone or "")


def iso_date(raw: bytes) -> str | None:
    """A DICOM date as YYYY-MM-DD; None when it is not one."""
    match = _DATE.fullmatch(raw.strip(b" \0").decode("latin-1"))
    if match is None or not _is_date(*match.groups()):
        return None
    return "-".join(match.groups())


def iso_date_and_time(day: bytes, clock: bytes, *, offset: str | None = None) -> str | None:
    """ISO 8601 of a DICOM date and time; the date alone when the time is none, None without a date."""
    on = iso_date(day)
    if on is None:
        return None
    digits = clock.strip(b" \0").replace(b":", b"")
    return iso_datetime(on.replace("-", "").encode("ascii") + digits, offset=offset) or on


def iso_offset(text: str | None) -> str | None:
    """'+0100' as '+01:00'; None when it is no offset from UTC (-12:00 to +14:00)."""
    match = _OFFSET.fullmatch((text or "").strip())
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    total = (int(hours) * 60 + int(minutes)) * (-1 if sign == "-" else 1)
    if not -12 * 60 <= total <= 14 * 60 or int(minutes) > 59:
        return None
    return f"{sign}{hours}:{minutes}"


def _is_date(year: str, month: str, day: str) -> bool:
    try:
        date(int(year), int(month), int(day))
    except ValueError:
        return False
    return True


def _is_time(hour: str, minute: str, second: str) -> bool:
    if second == "60":  # a leap second, PS3.5 section 6.2
        second = "59"
    try:
        time(int(hour), int(minute), int(second))
    except ValueError:
        return False
    return True
