"""What one more run like the last ones would add, to radiation and to contrast.

A run is an acquisition of the plane with most air kerma. The range goes from the least to the most
of the last runs; it is no forecast of what the next one will be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from dosetrack.radiation.account import plane_of
from dosetrack.radiation.curve import TimedEvent, exposure_kind
from dosetrack.radiation.rate import Step
from dosetrack.tables import constants

_Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class NextRun:
    """Least and most that the last runs and their injections gave; None with `reason` where unknown.

    runs : how many runs it rests on
    plane : of those runs
    kerma_mgy : least and most of one run [mGy]
    contrast_ml : least and most of what was injected with one run, undiluted [mL]
    is_tied : the injections are those of these runs; False: the last injections, whatever they fed
    last_run_at : when the last of these runs began
    """

    runs: int
    plane: str | None = None
    kerma_mgy: _Range | None = None
    contrast_ml: _Range | None = None
    is_tied: bool = False
    last_run_at: datetime | None = None
    reason: str | None = None
    contrast_reason: str | None = None


def next_run(
    events: Sequence[TimedEvent], injections: Sequence[Step], *, plane: str | None, now: datetime
) -> NextRun:
    """What one more run of `plane` like the last ones would add.

    Parameters
    ----------
    events : counted events of the case with their instants
    injections : undiluted iodinated contrast of each injection [mL], in order of time
    plane : the plane that leads; None: none is known
    now : nothing later is looked at
    """
    table = constants("forecast")
    wanted = int(table["usual_runs"].number)
    planes = {plane_of(t.event) for t in events}
    if plane not in planes and len(planes) == 1:
        plane = None  # a console names the one plane otherwise than the report
    runs = [
        t
        for t in sorted(events, key=lambda t: t.instant)
        if t.instant <= now
        and exposure_kind(t.event) == "acquisition"
        and plane in (None, plane_of(t.event))
        and t.event.reference_air_kerma_mgy is not None
    ][-wanted:]
    if len(runs) < wanted:
        return NextRun(len(runs), reason=f"{_count(len(runs))} reported so far; {wanted} are needed")
    kermas = [t.event.reference_air_kerma_mgy or 0.0 for t in runs]
    past = [step for step in injections if step.instant <= now]
    tied = [_fed(t, past, within=timedelta(seconds=table["run_injection"].number)) for t in runs]
    volumes = tied if all(tied) else [step.amount for step in past][-wanted:]
    has_volumes = len(volumes) >= wanted
    return NextRun(
        runs=wanted,
        plane=plane_of(runs[-1].event),
        kerma_mgy=(min(kermas), max(kermas)),
        contrast_ml=(min(volumes), max(volumes)) if has_volumes else None,
        is_tied=has_volumes and all(tied),
        last_run_at=runs[-1].instant,
        contrast_reason=None if has_volumes else f"fewer than {wanted} injections so far",
    )


def _fed(run: TimedEvent, injections: Sequence[Step], *, within: timedelta) -> float:
    """Contrast injected for a run [mL]: from shortly before its start to shortly after its end."""
    end = run.instant + timedelta(seconds=run.event.duration_s or 0.0)
    return sum(s.amount for s in injections if run.instant - within <= s.instant <= end + within)


def _count(number: int) -> str:
    if number == 0:
        return "no run"
    return "1 run" if number == 1 else f"{number} runs"
