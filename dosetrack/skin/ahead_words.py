"""What may come, in sentences for the operator: minutes to a level, views that leave the hot skin.

A view is told with what it costs. None is put forward.
"""

from __future__ import annotations

from dosetrack.skin.ahead import Ahead, GantryMove, TimeToLevel
from dosetrack.skin.wording import level_words, view_words
from dosetrack.tables import constants

COST = "The total air kerma goes on rising in every view."
NOT_ADVICE = (
    "Sorted by the angle moved, none is put forward: whether a view serves the procedure and can be "
    "reached is for the operator to judge."
)
ROUGH = "Rates are rough: by the thickness of the body along the beam and the distance to the skin."


def ahead_words(found: Ahead) -> tuple[str, ...]:
    """Everything that is told, one sentence each.

    Without a move the reason is told; with moves also what holds for all of them.
    """
    said = [
        _time_words(found.next_level, "the peak"),
        _time_words(found.next_level_of_upper_end, "the upper end of its range"),
    ]
    said.append(_hot_words(found))
    if found.moves:
        said += [move_words(move) for move in found.moves]
        said += [COST, ROUGH, NOT_ADVICE]
    return tuple(sentence for sentence in said if sentence)


def move_words(move: GantryMove) -> str:
    """One view: where it is, how far from now, what the skin there would get.

    Examples
    --------
    >>> move_words(GantryMove(-30.0, 10.0, 31.4, 1.62, 240.0))
    'RAO 30° CRA 10°, 31° from now: beside the hot skin; new skin at about 1.6 times the rate of now.'
    """
    place = f"{view_words((move.primary_deg, move.secondary_deg))}, {move.moved_deg:.0f}° from now"
    rate = (
        "new skin at a rate that is not known"
        if move.rate_ratio is None
        else f"new skin at about {move.rate_ratio:.1f} times the rate of now"
    )
    return f"{place}: beside the hot skin; {rate}."


def _time_words(found: TimeToLevel | None, what: str) -> str | None:
    if found is None:
        return None
    level = level_words(found.level_mgy)
    if found.minutes is None:
        return f"With the beam as it is, when {what} reaches {level} is not told: {found.reason}."
    when = f"about {found.minutes:.0f} min" if round(found.minutes) >= 1 else "less than a minute"
    return f"With the beam as it is, {what} reaches {level} after {when} of fluoroscopy."


def _hot_words(found: Ahead) -> str:
    share = constants("skin_ahead")["hot_share"].number
    hot = f"skin with {share:.0%} of the peak or more"
    if not found.meets_hot_skin:
        return f"The beam now lies beside the hot skin ({hot})."
    if not found.moves:
        return f"The beam now lies on the hot skin ({hot}), and so does every view tried near it."
    return f"The beam now lies on the hot skin ({hot}). Views near it that do not:"
