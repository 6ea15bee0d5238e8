"""The figures of Month and Operators as data: traces, axes with units, level lines."""

import math

import pytest

from dashboards.figures._layout import log_range, readable_ticks, tick_text
from dashboards.figures.operators import OperatorRow, operators_figure
from dashboards.figures.strips import Dot, Strip, strips_figure
from dashboards.figures.trend import DayDot, NamedLine, TrendPoint, days_figure, trend_figure

LEVELS = (NamedLine(value=3000.0, name="Ka,r 3 Gy"), NamedLine(5000.0, "Ka,r 5 Gy", is_substantial=True))


def strip(**changes):
    fields = {
        "name": "invented TIPS",
        "dots": (Dot(120.0, "1 Oct", "c1"), Dot(300.0, "2 Oct", "c2"), Dot(0.0, "3 Oct", "c3")),
        "median": 200.0,
        "p25": 150.0,
        "p75": 320.0,
        "reference": None,
        "note": "n 3",
    }
    return Strip(**{**fields, **changes})


def shapes(figure):
    return {shape.name: shape for shape in figure.layout.shapes}


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (1.0, 10.0, [1, 2, 5, 10]),
        (30.0, 600.0, [50, 100, 200, 500]),
        (0.01, 10000.0, [0.01, 0.1, 1, 10, 100, 1000, 10000]),
    ],
    ids=["one decade", "inside", "wide range: powers alone"],
)
def test_ticks_of_a_logarithmic_axis_are_readable(low, high, ticks):
    assert readable_ticks(low, high) == pytest.approx(ticks)


def test_ticks_are_written_out_without_powers():
    assert [tick_text(t) for t in (0.05, 20.0, 5000.0)] == ["0.05", "20", "5\u202f000"]


def test_range_of_nothing_is_defined():
    assert log_range([]) == (1.0, 10.0)
    assert log_range([0.0, -3.0]) == (1.0, 10.0)


def test_equal_values_still_have_a_range():
    low, high = log_range([50.0, 50.0])
    assert low < 50.0 < high


def test_strip_draws_each_positive_case_and_keeps_its_id():
    figure = strips_figure([strip()], quantity="DAP", unit="Gy·cm²")
    assert list(figure.data[0].x) == [120.0, 300.0]
    assert [row[0] for row in figure.data[0].customdata] == ["c1", "c2"]


def test_strip_axis_is_logarithmic_and_names_its_unit():
    figure = strips_figure([strip()], quantity="DAP", unit="Gy·cm²")
    assert figure.layout.xaxis.type == "log"
    assert figure.layout.xaxis.title.text == "DAP [Gy·cm²], logarithmic"
    low, high = figure.layout.xaxis.range
    assert low < math.log10(120) < math.log10(320) < high


def test_strip_draws_window_quartiles_and_median():
    found = shapes(strips_figure([strip()], quantity="DAP", unit="Gy·cm²"))
    assert (found["window:invented TIPS"].x0, found["window:invented TIPS"].x1) == (150.0, 320.0)
    assert found["median:invented TIPS"].x0 == 200.0


def test_strip_without_window_draws_no_box():
    figure = strips_figure([strip(median=None, p25=None, p75=None)], quantity="DAP", unit="Gy·cm²")
    assert not figure.layout.shapes


def test_reference_is_drawn_only_when_chosen():
    without = strips_figure([strip()], quantity="DAP", unit="Gy·cm²")
    chosen = strips_figure([strip(reference=303.0)], quantity="DAP", unit="Gy·cm²")
    assert len(without.data) == 1
    assert list(chosen.data[1].x) == [303.0]
    assert chosen.data[1].marker.symbol == "diamond-open"


def test_strips_of_nothing_are_a_figure():
    assert strips_figure([], quantity="DAP", unit="Gy·cm²").data == ()


def test_trend_keeps_a_month_without_cases_as_a_gap():
    points = [
        TrendPoint("2026-08", 4, 100.0, 80.0, 130.0),
        TrendPoint("2026-09", 0, None),
        TrendPoint("2026-10", 3, 90.0),
    ]
    trace = trend_figure(points, quantity="Ka,r", unit="mGy").data[0]
    assert list(trace.y) == [100.0, None, 90.0]
    assert trace.connectgaps is False
    assert list(trace.text) == ["n 4", "n 0", "n 3"]
    assert list(trace.error_y.array) == [30.0, None, None]
    assert list(trace.error_y.arrayminus) == [20.0, None, None]


def test_trend_draws_named_lines_where_they_belong():
    figure = trend_figure([TrendPoint("2026-10", 3, 900.0)], quantity="Ka,r", unit="mGy", lines=LEVELS)
    drawn = {shape.name: (shape.y0, shape.line.dash) for shape in figure.layout.shapes}
    assert drawn == {"Ka,r 3 Gy": (3000.0, "dash"), "Ka,r 5 Gy": (5000.0, "solid")}
    places = {note.text: note.y for note in figure.layout.annotations}
    assert places["Ka,r 3 Gy"] == pytest.approx(math.log10(3000))
    assert figure.layout.yaxis.range[1] > math.log10(5000)


def test_days_draw_cases_and_thresholds():
    dots = [DayDot("2026-10-02", 900.0, "2 Oct", "c1"), DayDot("2026-10-09", 6100.0, "9 Oct", "c2")]
    figure = days_figure(dots, quantity="Ka,r", unit="mGy", lines=LEVELS)
    assert list(figure.data[0].y) == [900.0, 6100.0]
    assert figure.layout.yaxis.title.text == "Ka,r [mGy], logarithmic"
    assert {shape.name for shape in figure.layout.shapes} == {"Ka,r 3 Gy", "Ka,r 5 Gy"}


def operator(name, **changes):
    fields = {"n": 25, "median": 100.0, "p25": 80.0, "p75": 150.0, "note": "n 25", "is_telling": True}
    return OperatorRow(name=name, **{**fields, **changes})


def test_operators_keep_the_order_given():
    rows = [operator("A", median=300.0), operator("B", median=50.0), operator("C", median=90.0)]
    figure = operators_figure(rows, quantity="DAP", unit="Gy·cm²", all_median=95.0)
    assert list(figure.layout.yaxis.ticktext) == ["A", "B", "C"]
    assert [trace.x[0] for trace in figure.data] == [300.0, 50.0, 90.0]


def test_operator_with_few_cases_is_hollow_and_unknown_is_absent():
    rows = [operator("A", is_telling=False), operator("B", n=0, median=None, p25=None, p75=None)]
    figure = operators_figure(rows, quantity="DAP", unit="Gy·cm²", all_median=None)
    assert figure.data[0].marker.symbol == "circle-open"
    assert len(figure.data[1].x) == 0


def test_operator_quartiles_are_distances_from_the_median():
    figure = operators_figure([operator("A")], quantity="DAP", unit="Gy·cm²", all_median=95.0)
    assert list(figure.data[0].error_x.array) == [50.0]
    assert list(figure.data[0].error_x.arrayminus) == [20.0]


def test_own_row_is_marked_by_name_and_size():
    figure = operators_figure(
        [operator("A"), operator("B", is_own=True)], quantity="DAP", unit="Gy·cm²", all_median=95.0
    )
    assert list(figure.layout.yaxis.ticktext) == ["A", "<b>B</b>"]
    assert figure.data[1].marker.size > figure.data[0].marker.size
