"""Cumulative console readings turned into what this patient received.

A console counts on from case to case and can be set back to zero. What it showed from an
earlier patient is an offset; it holds until the next reset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import PlaneName


@dataclass(frozen=True, slots=True)
class ConsoleTotal:
    """What one plane had received by one reading; None where never read."""

    plane: PlaneName
    reference_air_kerma_mgy: float | None
    dose_area_product_gycm2: float | None
    fluoroscopy_time_s: float | None


@dataclass(slots=True)
class _Counter:
    """One quantity of one plane: `top` is the highest value since the last reset."""

    carried: float | None = None
    offset: float = 0.0
    top: float | None = None

    def read(self, value: float | None, *, offset: float, is_reset: bool) -> float | None:
        if is_reset:
            self.carried, self.offset, self.top = self.total, 0.0, None
        if offset > self.offset:
            self.offset = offset
        if value is not None and (self.top is None or value > self.top):
            self.top = value
        return self.total

    @property
    def total(self) -> float | None:
        if self.top is None:
            return self.carried
        return (self.carried or 0.0) + max(0.0, self.top - self.offset)


def console_totals(readings: Sequence[ConsoleReading]) -> tuple[ConsoleTotal, ...]:
    """What each reading's plane had received by then, one total per reading.

    Parameters
    ----------
    readings : in order of time. A reading lower than the last that is not marked as a reset is a
        question put to a person elsewhere; until it is answered the higher one counts.
    """
    counters: dict[str, tuple[_Counter, _Counter, _Counter]] = {}
    totals = []
    for r in readings:
        of_plane = counters.get(r.plane)
        if of_plane is None:
            of_plane = counters[r.plane] = (_Counter(), _Counter(), _Counter())
        kerma, dap, time = of_plane
        totals.append(
            ConsoleTotal(
                plane=r.plane,
                reference_air_kerma_mgy=kerma.read(
                    r.reference_air_kerma_mgy, offset=r.offset_reference_air_kerma_mgy, is_reset=r.is_reset
                ),
                dose_area_product_gycm2=dap.read(
                    r.dose_area_product_gycm2, offset=r.offset_dose_area_product_gycm2, is_reset=r.is_reset
                ),
                fluoroscopy_time_s=time.read(
                    r.fluoroscopy_time_s, offset=r.offset_fluoroscopy_time_s, is_reset=r.is_reset
                ),
            )
        )
    return tuple(totals)
