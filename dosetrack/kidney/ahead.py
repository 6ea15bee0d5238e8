"""How many injections of the usual size lie between now and a limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from dosetrack.kidney.assessment import KidneyAssessment
from dosetrack.tables import constants


@dataclass(frozen=True, slots=True)
class InjectionsAhead:
    """The limit `name` is reached after about `count` injections of `usual_ml` undiluted [mL]."""

    name: str
    count: int
    usual_ml: float

    def in_words(self) -> str:
        """'2 × CrCl reached after about 2 injections of 6 mL'."""
        noun = "injection" if self.count == 1 else "injections"
        return f"{self.name} reached after about {self.count} {noun} of {self.usual_ml:g} mL"


def injections_ahead(
    assessment: KidneyAssessment, neat_volumes_ml: Sequence[float]
) -> InjectionsAhead | None:
    """What lies ahead to the leading limit, or to the next one once that is passed.

    Parameters
    ----------
    neat_volumes_ml : undiluted volume of each counted injection, oldest first [mL]; the median of
        the last few (`forecast.csv`, usual_injections) is the usual size

    Returns
    -------
    None without a limit ahead or without an injection yet. The count is rounded up: the limit is
    reached by the last of them.
    """
    row = assessment.next_level or assessment.leading_row
    last = int(constants("forecast")["usual_injections"].number)
    recent = [volume for volume in neat_volumes_ml if volume > 0][-last:]
    if row is None or row.remaining_ml is None or row.remaining_ml <= 0 or not recent:
        return None
    usual = median(recent)
    return InjectionsAhead(name=row.name, count=math.ceil(row.remaining_ml / usual), usual_ml=usual)
