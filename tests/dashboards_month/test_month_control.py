"""The control chart of Month: its lines and marks as data, its numbers in the file behind the link."""

import csv
import io
from datetime import date
from urllib.parse import unquote

from dashboards.control_view import control_numbers, control_points
from dashboards.figures.control import control_figure
from dashboards.pages import month as page
from dashboards.view_models_month import quantity_named
from dosetrack.audit import AuditCase
from dosetrack.audit.changes import Change, ChangeKind
from dosetrack.audit.control import month_chart

DAP = "dose_area_product_gycm2"


def chart(values, changes=()):
    cases = [
        AuditCase(f"c{n:02d}", date(2025 + n // 12, n % 12 + 1, 5), "PCI", "Room 1", "A", {DAP: value})
        for n, value in enumerate(values)
    ]
    return month_chart(cases, DAP, changes=changes)


def test_lines_of_each_stretch_and_marks_are_drawn():
    new_tube = Change(date(2025, 11, 1), ChangeKind.EQUIPMENT, "new tube")
    points = control_points(chart([10.0, 12.0] * 5 + [50.0, 51.0, 50.0], [new_tube]), quantity_named(DAP))
    figure = control_figure(points, quantity="DAP", unit="Gy·cm²")
    names = [trace.name for trace in figure.data]
    assert names.count("centre") == 2
    assert names.count("upper limit") == 1  # three months since the change give no limits
    marked = control_figure(
        control_points(chart([10.0, 12.0] * 8 + [60.0]), quantity_named(DAP)), quantity="DAP", unit="Gy·cm²"
    ).data[-1]
    assert marked.marker.symbol[-1] == "square"
    assert "beyond the limits" in marked.text[-1]


def test_the_table_says_why_there_are_no_limits():
    numbers = control_numbers(chart([10.0, 12.0]), quantity_named(DAP), "2025-02")
    assert "too few points for limits" in numbers.rows[0]
    assert numbers.values[0][4] is None


def test_the_page_shows_the_chart_and_saves_its_numbers(department, words, found):
    layout = page.layout(department, {"quantity": DAP})
    assert "Control chart" in words(layout)
    (link,) = found(layout, lambda c: str(getattr(c, "download", "")).startswith("control-"))
    rows = list(csv.DictReader(io.StringIO(unquote(link.href.partition(",")[2]).lstrip("\ufeff"))))
    assert rows
    assert {"month", "cases", DAP, "centre", "low", "high", "rule"} <= set(rows[0])
