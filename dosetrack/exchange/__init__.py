"""DICOM out: dose reports written for the samples, the simulator and the verification."""

from __future__ import annotations

from dosetrack.exchange.encoding import TransferSyntax
from dosetrack.exchange.rdsr import WriteOptions, write_report

__all__ = ["TransferSyntax", "WriteOptions", "write_report"]
