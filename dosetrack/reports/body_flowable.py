"""The drawing of the body as a part of a PDF page: grey body, dark skin to look at."""

from __future__ import annotations

from typing import Any

from reportlab.lib.colors import Color, black
from reportlab.platypus import Flowable

from dosetrack.reports.body_drawing import BodyDrawing, Corner, SideDrawing
from dosetrack.reports.fonts import FACE

_BODY, _EDGE = Color(0.9, 0.9, 0.9), Color(0.45, 0.45, 0.45)
_NEAR, _CORE = Color(0.5, 0.5, 0.5), Color(0.08, 0.08, 0.08)
_HEIGHT, _RING, _EYE = 228.0, 7.0, 1.3


def figure_height(text_size: float) -> float:
    """Height of the drawing with its words [pt]."""
    return _HEIGHT + 3.6 * text_size


class BodyFlowable(Flowable):  # type: ignore[misc]  # the library has no types
    """Front and back beside each other. text_size : of the words at the sides [pt]."""

    def __init__(self, drawing: BodyDrawing, *, text_size: float) -> None:
        super().__init__()
        self.drawing, self.text_size = drawing, text_size
        self.scale = _HEIGHT / drawing.height_mm
        self.side = drawing.width_mm * self.scale

    def wrap(self, wide: float, _high: float) -> tuple[float, float]:
        """The room it takes [pt]."""
        self.wide = wide
        return wide, figure_height(self.text_size)

    def draw(self) -> None:
        """Draw both sides in the middle of each half."""
        for number, side in enumerate((self.drawing.front, self.drawing.back)):
            self._side(side, self.wide * (0.25 + 0.5 * number))

    def _side(self, side: SideDrawing, middle: float) -> None:
        canvas: Any = self.canv
        canvas.setLineWidth(0.7)
        for outline in side.outlines:
            self._polygon(outline, middle, fill=_BODY, edge=_EDGE)
        for outline in side.outlines:  # no lines inside the body
            self._polygon(outline, middle, fill=_BODY, edge=None)
        canvas.setFillColor(_EDGE)
        for x, z in side.eyes:
            canvas.circle(*self._at(x, z, middle), _EYE, fill=1, stroke=0)
        for triangles, shade in ((side.near, _NEAR), (side.core, _CORE)):
            for corners in triangles:
                self._polygon(corners, middle, fill=shade, edge=shade, line=0.2)
        self._ring(side, middle)
        self._words(side, middle)

    def _polygon(
        self,
        corners: tuple[Corner, ...],
        middle: float,
        *,
        fill: Color,
        edge: Color | None,
        line: float = 1.4,
    ) -> None:
        canvas: Any = self.canv
        path = canvas.beginPath()
        for number, (x, z) in enumerate(corners):
            (path.lineTo if number else path.moveTo)(*self._at(x, z, middle))
        path.close()
        canvas.setFillColor(fill)
        canvas.setLineWidth(line)
        if edge is not None:
            canvas.setStrokeColor(edge)
        canvas.drawPath(path, fill=1, stroke=0 if edge is None else 1)

    def _ring(self, side: SideDrawing, middle: float) -> None:
        """A ring round the darkest skin, so that a small patch is found."""
        canvas: Any = self.canv
        corners = [self._at(x, z, middle) for triangle in side.core for x, z in triangle]
        if not corners:
            return
        xs, ys = [x for x, _ in corners], [y for _, y in corners]
        canvas.setStrokeColor(black)
        canvas.setLineWidth(1.6)
        canvas.ellipse(min(xs) - _RING, min(ys) - _RING, max(xs) + _RING, max(ys) + _RING, fill=0)

    def _words(self, side: SideDrawing, middle: float) -> None:
        canvas: Any = self.canv
        canvas.setFillColor(black)
        canvas.setFont(f"{FACE}-Bold", self.text_size)
        canvas.drawCentredString(middle, _HEIGHT + 2.3 * self.text_size, side.title)
        canvas.setFont(FACE, self.text_size)
        reach = 0.2 * self.wide
        canvas.drawString(middle - reach, 0.35 * self.text_size, side.left_word)
        canvas.drawRightString(middle + reach, 0.35 * self.text_size, side.right_word)

    def _at(self, x: float, z: float, middle: float) -> tuple[float, float]:
        return middle + x * self.scale, (z - self.drawing.low_mm) * self.scale + 1.6 * self.text_size
