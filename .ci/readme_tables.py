"""Write the tables of README.md that follow from the code: settings, levels, finding codes.

.venv/bin/python .ci/readme_tables.py             print them
.venv/bin/python .ci/readme_tables.py --write     put them into README.md, between their marks
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable
from itertools import groupby
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from dosetrack.findings import finding_kinds  # noqa: E402
from dosetrack.settings import definitions  # noqa: E402
from dosetrack.tables import citation, constants  # noqa: E402

README = ROOT / "README.md"
LEVEL_TABLES = {"notification_levels": "Radiation levels", "contrast_limits": "Contrast limits"}
_OWN = "own choice of this project"
QUANTITIES = {
    "reference_air_kerma_mgy": "Ka,r",
    "dose_area_product_gycm2": "DAP",
    "peak_skin_dose_mgy": "peak skin dose",
    "fluoroscopy_time_s": "fluoroscopy time",
}


def _table(head: Iterable[str], body: Iterable[Iterable[str]]) -> str:
    def line(cells: Iterable[str]) -> str:
        return "| " + " | ".join(cell.replace("|", "\\|").strip() for cell in cells) + " |"

    head = list(head)
    return "\n".join([line(head), "|" + "---|" * len(head), *(line(row) for row in body)])


def settings_reference() -> str:
    """Every setting: key, default, range, where it may be set, meaning, source of the default."""
    parts = []
    for group, members in groupby(definitions().values(), key=lambda d: d.group):
        rows = []
        for wanted in members:
            default = f"{wanted.default} {wanted.unit}".strip() if wanted.default else "none"
            accepted = " or ".join(wanted.choices)
            if wanted.kind == "number" and wanted.minimum is not None and wanted.maximum is not None:
                accepted = f"{wanted.minimum:g} to {wanted.maximum:g}"
            if wanted.kind == "flag":
                accepted = "yes or no"
            rows.append(
                (
                    f"`{wanted.key}`",
                    default,
                    accepted,
                    ", ".join(wanted.scopes),
                    wanted.meaning,
                    wanted.source,
                )
            )
        head = ("setting", "default", "accepted", "set for", "meaning", "source of the default")
        parts.append(f"**{group}**\n\n{_table(head, rows)}")
    return "\n\n".join(parts)


def levels_reference() -> str:
    """Every published level and limit with its source and how far that source was checked."""
    parts = []
    for table, title in LEVEL_TABLES.items():
        rows = []
        for constant in constants(table).values():
            unit = "" if constant.unit == "1" else constant.unit
            value = constant.value or f"{constant.low} to {constant.high}"
            applies = QUANTITIES.get(constant.applies_to, constant.applies_to)
            checked = "own choice" if constant.checked == "own" else constant.checked
            if constant.checked == "memory":
                checked = "from memory, confirm against the original"
            source = _OWN if constant.checked == "own" else citation(constant).split(" (from memory")[0]
            rows.append((f"`{constant.key}`", f"{value} {unit}", applies, source, checked))
        parts.append(f"**{title}**\n\n" + _table(("row", "value", "for", "source", "checked"), rows))
    return "\n\n".join(parts)


def findings_reference() -> str:
    """Every finding code with its severity and wording."""
    rows = [(f"`{code.code}`", code.severity.value, code.template) for code in finding_kinds().values()]
    return _table(("code", "severity", "text"), sorted(rows))


PARTS: dict[str, Callable[[], str]] = {
    "settings": settings_reference,
    "levels": levels_reference,
    "findings": findings_reference,
}


def with_current_tables(text: str) -> str:
    """`text` of README.md with each generated part replaced by what the code says now."""
    for name, make in PARTS.items():
        begin, end = f"<!-- {name}: written by .ci/readme_tables.py -->", f"<!-- end of {name} -->"
        if begin not in text or end not in text:
            raise SystemExit(f"README.md lacks the marks of the part '{name}'")
        pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.S)
        part = f"{begin}\n{make()}\n{end}"
        text = pattern.sub(lambda _, part=part: part, text)
    return text


def main(arguments: list[str]) -> None:
    """Run as a command."""
    if arguments == ["--write"]:
        README.write_text(with_current_tables(README.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print("\n\n".join(make() for make in PARTS.values()))


if __name__ == "__main__":
    main(sys.argv[1:])
