"""The dose and contrast summary of one case for the record."""

from __future__ import annotations

from collections.abc import Iterable

from dosetrack.alerts import PromptState
from dosetrack.cases import CaseState
from dosetrack.kidney import shown_limit_ml
from dosetrack.radiation import Tally
from dosetrack.records.follow_up import FollowUpDecided
from dosetrack.records.levels import LevelReached
from dosetrack.records.report import Equipment
from dosetrack.reports import words
from dosetrack.reports.blocks import Block, Bullets, Document, Facts, Grid, Heading, Text
from dosetrack.reports.case_paper import SUPPORT, CasePaper, paper
from dosetrack.reports.skin_words import site_words, skin_dose_words
from dosetrack.reports.words import DAP, KERMA, NOT_KNOWN, TIME, quantity_words

CAUTIONS = (
    SUPPORT,
    "Reference air kerma is not skin dose, and no bound of it. The sum over planes does not describe one "
    "piece of skin. A level asks for a decision; being below one says only that it was not reached.",
)
_SHORT = {KERMA: "Ka,r", DAP: "DAP", TIME: "fluoro time"}
_NOTABLE = ("substantial", "leading-limit", "limit", "may-be-above")


def summary(facts: CasePaper) -> Document:
    """Both accounts, per plane and source, levels with decisions, skin, findings and what is missing."""
    blocks: list[Block] = [
        *_state(facts),
        Heading("Radiation by plane"),
        planes_grid(facts),
        *_beam_on(facts),
        Heading("Skin dose"),
        *_skin(facts),
        Heading("Contrast"),
        *_contrast(facts),
        Heading("Levels reached"),
        *levels_blocks(facts),
        Heading("Prompts and decisions"),
        *decisions_blocks(facts),
        *follow_up_blocks(facts),
        Heading("Findings"),
        Bullets(tuple(f"{f.severity}: {f.text}" for f in facts.findings) or ("None.",)),
        Heading("Missing"),
        Bullets(missing(facts) or ("Nothing that this summary shows.",)),
        Heading("Where the numbers came from"),
        Bullets(origins(facts)),
    ]
    return paper(facts, "Dose and contrast summary", blocks=blocks, cautions=CAUTIONS)


def _state(facts: CasePaper) -> list[Block]:
    if facts.is_reconciled:
        by = facts.case.closing.by.name if facts.case.closing else NOT_KNOWN
        return [Text(f"Reconciled by {words.person(by)}: typed and reported values were compared.")]
    if facts.case.state in (CaseState.PLANNED, CaseState.RUNNING):
        return [Text(f"The case is {facts.case.state}: these numbers are not final. Not reconciled.", True)]
    return [Text("Not reconciled: nobody has compared what was typed with what was reported.", True)]


def planes_grid(facts: CasePaper) -> Grid:
    """Each plane and quantity: stated, summed, typed, displayed (the highest of them), and which it is."""
    account = facts.radiation
    rows = [
        _tally_row(facts, words.plane_words(plane.plane), quantity, getattr(plane, quantity))
        for plane in account.planes
        for quantity in (KERMA, DAP, TIME)
    ]
    if len(account.planes) > 1:
        rows += [
            _tally_row(facts, "sum of planes", KERMA, account.reference_air_kerma_sum_mgy),
            _tally_row(facts, "all planes", DAP, account.dose_area_product_gycm2),
            _tally_row(facts, "all planes", TIME, account.fluoroscopy_time_s),
        ]
    if not rows:
        rows = [("all planes", _SHORT[q], *[NOT_KNOWN] * 4, "nothing sent or typed")
                for q in (KERMA, DAP, TIME)]  # fmt: skip
    head = ("plane", "quantity", "stated", "summed", "typed", "displayed", "which is")
    return Grid(head, tuple(rows), (1.25, 1.05, 1.4, 1.4, 1.4, 1.4, 1.55), frozenset({2, 3, 4, 5}))


def _tally_row(facts: CasePaper, plane: str, quantity: str, tally: Tally) -> tuple[str, ...]:
    levels = facts.levels_of(quantity)
    told = tally.displayed
    which = "nothing sent or typed" if told is None else told.basis
    if told is not None and not told.is_complete:
        which += "; a part is missing: at least this"
    if tally.corrected is not None:
        which += f"; corrected {quantity_words(quantity, tally.corrected, levels=levels)}"
    values = (tally.stated, tally.summed, tally.typed, told.value if told else None)
    return (plane, _SHORT[quantity], *(quantity_words(quantity, v, levels=levels) for v in values), which)


def _beam_on(facts: CasePaper) -> list[Block]:
    rows = []
    for name, part in (
        ("fluoroscopy", facts.radiation.fluoroscopy),
        ("acquisitions", facts.radiation.acquisition),
    ):
        kerma, area = part.reference_air_kerma_mgy, part.dose_area_product_gycm2
        rows.append(
            (
                f"of it by {name}",
                f"Ka,r {quantity_words(KERMA, kerma.value if kerma else None)}, "
                f"DAP {quantity_words(DAP, area.value if area else None)}, "
                f"time {quantity_words(TIME, part.time_s.value if part.time_s else None)}",
            )
        )
    return [Facts(tuple(rows))]


def _skin(facts: CasePaper) -> list[Block]:
    found = facts.skin.map
    rows = [("Peak skin dose", skin_dose_words(facts)), ("Where", site_words(facts))]
    if found is not None:
        share = found.mapped_fraction
        told = NOT_KNOWN if share is None else f"{int(share * 100)} % of the air kerma"
        rows.append(("On the map", f"{told}, on a {found.surface.kind}, dose to {found.medium}"))
    elif facts.skin.reason:
        rows.append(("Why no map", facts.skin.reason))
    estimate = facts.physicist_estimate
    if estimate is not None:
        rows.append(("Physicist's estimate", physicist_words(facts)))
    if facts.earlier_cases:
        rows.append(
            (
                "Earlier",
                f"{words.counted(facts.earlier_cases, 'other case')} in the {facts.earlier_days:g} days "
                "before, not in these numbers",
            )
        )
    return [Facts(tuple(rows))]


def physicist_words(facts: CasePaper) -> str:
    """What a physicist estimated and decided."""
    from dosetrack.skin.wording import dose_words, range_words

    estimate = facts.physicist_estimate
    if estimate is None:
        return "none recorded"
    dose = dose_words(estimate.peak_skin_dose_mgy)
    if estimate.low_mgy is not None and estimate.high_mgy is not None:
        dose += f", range {range_words(estimate.low_mgy, estimate.high_mgy)}"
    return words.joined(dose, estimate.method, f"decision: {estimate.decision}", by="; ")


def _contrast(facts: CasePaper) -> list[Block]:
    return [Facts(contrast_rows(facts)), *limits_blocks(facts)]


def contrast_rows(facts: CasePaper) -> tuple[tuple[str, str], ...]:
    """What was given, what was known of the kidneys, and how it stands to the leading limit."""
    given, now = facts.kidney.given, facts.kidney.given.now
    if not facts.case.injections:
        volume = f"{NOT_KNOWN}: no injection was entered"
        iodine = NOT_KNOWN
    else:
        neat = f" ({words.used(now.neat_ml)} mL undiluted)" if now.neat_ml != now.contrast_ml else ""
        volume = f"{words.used(now.contrast_ml)} mL{neat} in {words.counted(now.injections, 'injection')}"
        iodine = NOT_KNOWN if now.iodine_g is None else f"{words.used(now.iodine_g, 1)} g"
        if now.iodine_g is not None and not now.is_iodine_complete:
            iodine = f"at least {iodine}: a concentration is not known"
    sample = facts.last_creatinine
    creatinine = NOT_KNOWN
    if sample is not None:
        taken = f"of {sample.taken_on}" if sample.taken_on else "date not known"
        creatinine = f"{sample.value} {sample.unit.replace('umol', 'µmol')}, {taken}"
    return (
        ("Contrast", volume),
        ("Iodine", iodine),
        (
            "Earlier contrast",
            given.in_words().partition(" now")[2].lstrip(" ,+") or "none in the look-back window",
        ),
        ("Creatinine", creatinine),
        ("eGFR", egfr_words(facts)),
        ("Against the limits", facts.kidney.headline),
    )


def egfr_words(facts: CasePaper) -> str:
    """The estimate by name, or why there is none."""
    row = next((r for r in facts.kidney.egfr if r.formula == "CKD-EPI 2021"), None)
    if row is None or row.value is None:
        return words.joined(NOT_KNOWN, row.note if row else None, by=": ")
    return f"{row.value:.0f} {row.unit.replace('m2', 'm²')} ({row.formula})"


def limits_blocks(facts: CasePaper) -> list[Block]:
    """The published limits that apply, with how the case stands to each."""
    applying = [row for row in facts.kidney.limits if row.applies and row.limit_ml is not None]
    if not applying:
        return [Text(f"No published limit could be computed: {facts.kidney.reason or 'facts are missing'}.")]
    entered = bool(facts.case.injections)
    rows = tuple(
        (
            row.name,
            f"{shown_limit_ml(row.limit_ml or 0.0)} mL",
            ("reached" if row.is_passed else "not reached") if entered else NOT_KNOWN,
            row.renal_input or "",
            row.source,
        )
        for row in applying
    )
    return [
        Grid(("limit", "at", "this case", "from", "source"), rows, (1.3, 0.7, 0.9, 1.8, 2.8), frozenset({1}))
    ]


def levels_blocks(facts: CasePaper) -> list[Block]:
    """Per quantity and plane every substantial level and limit, and the highest of the others."""
    if not facts.levels:
        return [Text("No level was reached by the numbers known.")]
    rows = tuple(
        (
            level.name + (f" (and {below} lower)" if below else ""),
            words.plane_words(level.plane) if level.plane else "",
            quantity_words(level.quantity, level.value, levels=facts.levels_of(level.quantity)),
            words.basis_words(level.basis),
            level.source,
        )
        for level, below in _shown_levels(facts.levels)
    )
    return [
        Grid(
            ("level", "plane", "value", "which is", "source"),
            rows,
            (1.5, 0.8, 1.25, 1.4, 2.6),
            frozenset({2}),
        )
    ]


def _shown_levels(levels: Iterable[LevelReached]) -> list[tuple[LevelReached, int]]:
    groups: dict[tuple[str, str | None, bool], list[LevelReached]] = {}
    for level in levels:
        is_notable = level.tier in _NOTABLE
        key = (level.quantity, level.plane, is_notable)
        groups.setdefault(key, []).append(level)
    shown = []
    for (_, _, is_notable), members in groups.items():
        ordered = sorted(members, key=lambda one: -one.level)
        shown += [(one, 0) for one in ordered] if is_notable else [(ordered[0], len(ordered) - 1)]
    return shown


def decisions_blocks(facts: CasePaper) -> list[Block]:
    """Each prompt with what was decided, by whom and why."""
    if not facts.prompts:
        return [Text("No prompt was raised in the room.")]
    rows = []
    for prompt in facts.prompts:
        answer = prompt.answer
        decided = "no answer" if answer is None else answer.decision.removesuffix(" because")
        if prompt.state is PromptState.RAISED:
            decided = "not shown on a screen"
        rows.append(
            (
                words.moment(prompt.raised_at, facts.zone)[11:],
                prompt.headline,
                decided if answer is None or not answer.reason else f"{decided}: {answer.reason}",
                words.person(answer.by) if answer else "",
            )
        )
    return [Grid(("time", "prompt", "decided", "by"), tuple(rows), (0.6, 2.6, 2.6, 1.4))]


def follow_up_blocks(facts: CasePaper) -> list[Block]:
    """What the follow-up rules said, for skin and kidney."""
    rows = []
    for kind in ("skin", "kidney"):
        decided = facts.follow_up(kind)
        if decided is None:
            told = "not decided yet"
        elif decided.tier is None:
            told = f"{no_reason_words(decided)} ({decided.profile})"
        else:
            why = "; ".join(reason.text for reason in decided.reasons)
            told = f"{decided.tier}, due {', '.join(decided.due) or 'no day set'}: {why}"
        if decided is not None and decided.estimate_due:
            told += f"; physicist's estimate due {decided.estimate_due}"
        if decided is not None and decided.missing:
            told += f"; not known: {', '.join(decided.missing)}"
        rows.append((kind.capitalize(), told))
    return [Heading("Follow-up"), Facts(tuple(rows))]


def no_reason_words(decided: FollowUpDecided) -> str:
    """Why nothing is due: by the rules, or as far as anything is known."""
    return "no reason in what is known" if decided.missing else "nothing is due by the rules"


def missing(facts: CasePaper) -> tuple[str, ...]:
    """What nobody told, by name."""
    patient, account = facts.case.patient, facts.radiation
    absent = {
        "a dose report": not facts.case.reports,
        "reference air kerma": account.reference_air_kerma_sum_mgy.displayed is None,
        "dose-area product": account.dose_area_product_gycm2.displayed is None,
        "fluoroscopy time": account.fluoroscopy_time_s.displayed is None,
        "injections of contrast": not facts.case.injections,
        "concentration of some contrast": not facts.kidney.given.now.is_iodine_complete,
        "earlier contrast": not facts.kidney.given.is_earlier_known,
        "creatinine": facts.last_creatinine is None,
        "weight": patient.weight_kg is None,
        "height": patient.height_cm is None,
        "a skin dose map": facts.skin.map is None or facts.skin.map.peak_mgy is None,
        "operator": not facts.case.operators,
    }
    return tuple(f"{name}: {NOT_KNOWN}" for name, is_absent in absent.items() if is_absent)


def _system(equipment: Equipment) -> str:
    told = words.joined(equipment.manufacturer, equipment.model, equipment.station)
    return told or "system not told"


def origins(facts: CasePaper) -> tuple[str, ...]:
    """The reports held, who typed readings and injections, and the estimate's assumptions."""
    case = facts.case
    told = [
        f"Dose report {r.file} ({r.source}), {len(r.events)} events, "
        f"{_system(r.equipment)}, "
        f"SHA-256 {r.sha256[:16]}…"
        for r in case.reports
    ] or ["No dose report is held."]
    if case.readings:
        by = ", ".join(dict.fromkeys(words.person(s.by.name) for s in case.readings))
        last = words.moment(case.readings[-1].at, facts.zone)
        told.append(
            f"{words.counted(len(case.readings), 'console reading')} typed by {by}, the last at {last}."
        )
    if case.injections:
        by = ", ".join(dict.fromkeys(words.person(s.by.name) for s in case.injections))
        told.append(f"{words.counted(len(case.injections), 'injection')}, entered by {by}.")
    if facts.undecided:
        told.append(f"{len(facts.undecided)} quantities were typed and reported differently; nobody decided.")
    if facts.skin.map is not None:
        assumed = "; ".join(dict.fromkeys(a.text.rstrip(".") for a in facts.skin.map.assumed))
        told.append(f"The skin dose map assumes: {assumed or 'nothing'}.")
    elif facts.skin.screening is not None:
        told.append(f"The possible range assumes: {'; '.join(facts.skin.screening.assumed) or 'nothing'}.")
    return tuple(told)
