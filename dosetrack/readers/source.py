"""One file on its way to a record: its bytes opened, and how its top-level elements are read."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.elements import Span, Walker
from dosetrack.readers.encoding import OpenedFile, opened
from dosetrack.records.report import ReportIdentity

SOP_CLASS = 0x00080016
SOP_INSTANCE = 0x00080018


@dataclass(frozen=True, slots=True)
class Source:
    """A file, opened.

    file : the name it is known under
    sha256 : of the bytes that are kept of it
    """

    file: str
    sha256: str
    opened: OpenedFile
    walker: Walker

    @classmethod
    def of(cls, kept: bytes, *, file: str) -> Source:
        """The file whose kept bytes are `kept`; Refusal where they are no DICOM data set."""
        source = opened(kept)
        return cls(
            file=file,
            sha256=hashlib.sha256(kept).hexdigest(),
            opened=source,
            walker=Walker(source.data, source.encoding),
        )

    def elements(self, *, stop_at: int) -> tuple[dict[int, Span], int]:
        """(top-level elements, where the walk ended) before `stop_at`, pixel data and its like."""
        return self.walker.elements(self.opened.start, len(self.opened.data), stop_at=stop_at)

    def sop_class(self) -> str | None:
        """The SOP class the data set names, else the file meta information; None where neither does."""
        walker, position, limit = self.walker, self.opened.start, len(self.opened.data)
        while limit - position >= 8:
            key, start, length = walker.header(position, limit)
            tag = walker.encoding.tag(key)
            if tag >= SOP_CLASS:
                if tag == SOP_CLASS and length <= limit - start:
                    uid = walker.data[start : start + length].strip(b" \0").decode("ascii", "replace")
                    return uid or self.opened.meta.media_class
                break
            position = walker.end_of(start, length, limit)
        return self.opened.meta.media_class

    def identified(self, identity: ReportIdentity) -> ReportIdentity:
        """`identity` with what only the file meta information tells."""
        meta = self.opened.meta
        return replace(
            identity,
            sop_class_uid=identity.sop_class_uid or meta.media_class,
            sop_instance_uid=identity.sop_instance_uid or meta.media_instance,
        )

    def findings(self) -> list[Finding]:
        """What is unusual about the file as a file."""
        if self.opened.is_as_declared:
            return []
        return [finding(FindingCode.TRANSFER_SYNTAX_MISMATCH, declared=self.opened.declared)]
