"""A document as PDF: plain, in black and grey, with its identity and page number on every page."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from typing import Any

from reportlab.lib.colors import Color, black, white
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from dosetrack.reports.blocks import (
    Block,
    Box,
    Bullets,
    Document,
    Facts,
    Figure,
    Grid,
    Heading,
    Picture,
    Text,
    ToFill,
)
from dosetrack.reports.body_flowable import BodyFlowable, figure_height
from dosetrack.reports.fonts import FACE, markup, register_faces

_RULE = Color(0.62, 0.62, 0.62)
_QUIET = Color(0.28, 0.28, 0.28)
_SIDE_MM, _TOP_MM, _FOOT_MM, _FOOT_LINE = 18.0, 14.0, 10.0, 1.3
_CAUTION_GAP, _FOOT_GAP = 4, 12
_COUNT_EM = 9.0
"""Room for the page number, in type sizes."""
_TALLEST = 400.0


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Type sizes of one kind of paper [pt]."""

    title: float
    heading: float
    text: float
    table: float
    small: float


_USUAL = _Sizes(title=15, heading=11, text=9.5, table=8.5, small=8)
_LARGE = _Sizes(title=20, heading=14.5, text=12.5, table=12, small=12)


def pdf_of(document: Document) -> bytes:
    """The bytes of the PDF; the same document gives the same bytes."""
    register_faces()
    sizes = _LARGE if document.is_large else _USUAL
    page = A4 if document.paper == "A4" else letter
    foot, width = _foot_lines(document), page[0] - 2 * _SIDE_MM * mm
    low = _FOOT_MM * mm + sum(high for _, high in _foot_words(foot, sizes.small, width)) + _FOOT_GAP
    stream = BytesIO()
    template = BaseDocTemplate(
        stream,
        pagesize=page,
        title=document.title,
        author=document.department,
        subject=document.running,
        creator="",
        producer="",
        lang="en-GB",
        invariant=1,
    )
    frame = Frame(
        _SIDE_MM * mm,
        low,
        width,
        page[1] - _TOP_MM * mm - low,
        0, 0, 0, 0,
    )  # fmt: skip
    template.addPageTemplates([PageTemplate("page", [frame])])
    styles = _Styles(sizes)
    story = [*_head(document, styles, width)]
    for number, block in enumerate(document.blocks):
        if isinstance(block, Heading):  # a heading is not left alone at the foot of a page
            story.append(CondPageBreak(_room_after(document.blocks[number + 1 : number + 3], styles)))
        story += _block(block, styles, width)
    story += _end(document, styles)
    template.build(story, canvasmaker=_with_foot(foot, sizes.small, width))
    return stream.getvalue()


class _Styles:
    """Paragraph styles of one document."""

    def __init__(self, sizes: _Sizes) -> None:
        self.sizes = sizes
        self.title = self._style("title", sizes.title, name=f"{FACE}-Bold", after=4)
        self.heading = self._style("heading", sizes.heading, name=f"{FACE}-Bold", before=8, after=2)
        self.text = self._style("text", sizes.text, after=3)
        self.strong = self._style("strong", sizes.text, name=f"{FACE}-Bold", after=3)
        self.quiet = self._style("quiet", sizes.small, after=3, colour=_QUIET)
        self.label = self._style("label", sizes.table, colour=_QUIET)
        self.cell = self._style("cell", sizes.table)
        self.cell_right = self._style("right", sizes.table, align=TA_RIGHT)
        self.head = self._style("head", sizes.table, name=f"{FACE}-Bold")
        self.head_right = self._style("head-right", sizes.table, name=f"{FACE}-Bold", align=TA_RIGHT)
        self.bullet = self._style("bullet", sizes.text, after=2)
        self.bullet.leftIndent, self.bullet.bulletIndent = 12, 2

    def _style(
        self,
        key: str,
        size: float,
        *,
        name: str = FACE,
        before: float = 0,
        after: float = 0,
        colour: Color = black,
        align: int = 0,
    ) -> Any:
        return ParagraphStyle(
            key,
            fontName=name,
            bulletFontName=FACE,
            bulletFontSize=size,
            fontSize=size,
            leading=size * 1.26,
            spaceBefore=before,
            spaceAfter=after,
            textColor=colour,
            alignment=align,
            splitLongWords=1,
        )


def _room_after(next_blocks: tuple[Block, ...], styles: _Styles) -> float:
    """Height a heading wants below it on its page [pt]."""
    figures = [block for block in next_blocks if isinstance(block, Figure)]
    return 4.6 * styles.sizes.heading + sum(figure_height(styles.sizes.small) for _ in figures)


def _head(document: Document, styles: _Styles, width: float) -> list[Flowable]:
    sender = [line for line in (document.department, *document.address) if line]
    parts: list[Flowable] = [Paragraph(markup(", ".join(sender)), styles.quiet)] if sender else []
    parts.append(Paragraph(markup(document.title), styles.title))
    if document.identity:
        parts.append(_identity(document.identity, styles, width, pairs=1 if document.is_large else 2))
    return [*parts, Spacer(1, 6)]


def _end(document: Document, styles: _Styles) -> list[Flowable]:
    parts: list[Flowable] = [Spacer(1, _CAUTION_GAP)]
    parts += [Paragraph(markup(text), styles.quiet) for text in document.cautions]
    if document.is_large:  # elsewhere it stands at the foot of every page
        parts += [Paragraph(markup(line), styles.quiet) for line in document.provenance]
    return [KeepTogether(parts)]


def _block(block: Block, styles: _Styles, width: float) -> list[Flowable]:
    if isinstance(block, Heading):
        return [Paragraph(markup(block.text), styles.heading)]
    if isinstance(block, Text):
        style = styles.strong if block.is_strong else styles.quiet if block.is_quiet else styles.text
        return [Paragraph(markup(block.text), style)]
    if isinstance(block, Bullets):
        return [Paragraph(markup(item), styles.bullet, bulletText="•") for item in block.items]
    if isinstance(block, Facts) and not block.rows:
        return []
    if isinstance(block, Facts):
        return [_facts(block.rows, styles, width), Spacer(1, 3)]
    if isinstance(block, Grid):
        return [_grid(block, styles, width), Spacer(1, 4)]
    if isinstance(block, Picture):
        return [_picture(block, width)]
    if isinstance(block, Figure):
        return [BodyFlowable(block.drawing, text_size=styles.sizes.small), Spacer(1, 4)]
    if isinstance(block, ToFill):
        return [_to_fill(block, styles, width)]
    return [_box(block, styles, width), Spacer(1, 5)]


def _facts(rows: tuple[tuple[str, str], ...], styles: _Styles, width: float) -> Table:
    share = 0.3 if styles.sizes is _LARGE else 0.25
    return _pairs(rows, styles, widths=[share * width, (1 - share) * width], lines=[])


def _identity(rows: tuple[tuple[str, str], ...], styles: _Styles, width: float, *, pairs: int) -> Table:
    """Names and values between two lines; `pairs` of them beside each other, read down each column."""
    lines = [("LINEABOVE", (0, 0), (-1, 0), 0.8, black), ("LINEBELOW", (0, -1), (-1, -1), 0.8, black)]
    shares = (0.3, 0.7) if pairs == 1 else (0.15, 0.33, 0.11, 0.41)
    return _pairs(rows, styles, widths=[share * width for share in shares], lines=lines)


def _pairs(
    rows: tuple[tuple[str, str], ...], styles: _Styles, *, widths: list[float], lines: list[Any]
) -> Table:
    cells = [(Paragraph(markup(a), styles.label), Paragraph(markup(b), styles.cell)) for a, b in rows]
    high = -(-len(cells) // (len(widths) // 2))
    columns = [cells[start : start + high] for start in range(0, len(cells), high)]
    table = Table(
        [
            [part for column in columns for part in (column[n] if n < len(column) else ("", ""))]
            for n in range(high)
        ],
        colWidths=widths[: 2 * len(columns)],
        hAlign="LEFT",
    )
    table.setStyle(_tight(lines))
    return table


def _grid(grid: Grid, styles: _Styles, width: float) -> Table:
    def row(cells: tuple[str, ...], plain: Any, right: Any) -> list[Paragraph]:
        return [Paragraph(markup(c), right if n in grid.numeric else plain) for n, c in enumerate(cells)]

    body = [row(cells, styles.cell, styles.cell_right) for cells in grid.rows]
    whole = sum(grid.shares)
    table = Table(
        [row(grid.head, styles.head, styles.head_right), *body],
        colWidths=[width * share / whole for share in grid.shares],
        repeatRows=1,
        hAlign="LEFT",
    )
    table.setStyle(
        _tight(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, _RULE),
                ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
                *(("RIGHTPADDING", (n, 0), (n, -1), 9) for n in grid.numeric),
            ]
        )
    )
    return table


def _tight(more: list[Any]) -> TableStyle:
    return TableStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            *more,
        ]
    )


def _picture(picture: Picture, width: float) -> Image:
    pixels_wide, pixels_high = ImageReader(BytesIO(picture.png)).getSize()
    wide = min(width, picture.widest_mm * mm)
    return Image(BytesIO(picture.png), width=wide, height=wide * pixels_high / pixels_wide, hAlign="LEFT")


def _to_fill(block: ToFill, styles: _Styles, width: float) -> Flowable:
    line = styles.sizes.text * 2.0
    rows = [[Paragraph(markup(block.label), styles.text)], *[[""] for _ in range(block.lines)]]
    table = Table(rows, colWidths=[width], rowHeights=[None, *[line] * block.lines])
    table.setStyle(_tight([("LINEBELOW", (0, 1), (-1, -1), 0.5, _RULE)]))
    return KeepTogether([table, Spacer(1, 4)])


def _box(box: Box, styles: _Styles, width: float) -> Table:
    table = Table([[[Paragraph(markup(line), styles.text) for line in box.lines]]], colWidths=[width])
    frame = [("BOX", (0, 0), (-1, -1), 1.2, black), ("BACKGROUND", (0, 0), (-1, -1), white)]
    table.setStyle(
        TableStyle([*frame, ("LEFTPADDING", (0, 0), (-1, -1), 8), ("TOPPADDING", (0, 0), (-1, -1), 6)])
    )
    return table


# the foot of every page -----------------------------------------------------------------------


def _foot_lines(document: Document) -> tuple[str, ...]:
    """Identity, and for staff the data version; the page number is added to the first line."""
    return (document.running,) if document.is_large else (document.running, *document.provenance)


def _foot_words(lines: tuple[str, ...], size: float, wide: float) -> list[tuple[Paragraph, float]]:
    """The lines of the foot, each with its height [pt]; the first has room for the page number."""
    style = ParagraphStyle("foot", fontName=FACE, fontSize=size, leading=size * _FOOT_LINE)
    words = [Paragraph(markup(line), style) for line in lines]
    rooms = [wide - _COUNT_EM * size, *[wide] * (len(words) - 1)]
    return [(w, w.wrap(room, _TALLEST)[1]) for w, room in zip(words, rooms, strict=True)]


def _with_foot(lines: tuple[str, ...], size: float, wide: float) -> type:
    """A canvas that knows how many pages there are before it writes the foot of the first."""

    class Numbered(Canvas):  # type: ignore[misc]  # the library has no types
        """Keeps its pages until all are drawn."""

        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self._kept: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self._kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._kept, start=1):
                self.__dict__.update(page)
                self._draw_foot(f"page {number} of {len(self._kept)}")
                super().showPage()
            super().save()

        def _draw_foot(self, count: str) -> None:
            words = _foot_words(lines, size, wide)
            left, top = _SIDE_MM * mm, _FOOT_MM * mm + sum(high for _, high in words)
            self.setStrokeColor(_RULE)
            self.setLineWidth(0.6)
            self.line(left, top + 3, left + wide, top + 3)
            self.setFillColor(black)
            self.setFont(FACE, size)
            self.drawRightString(left + wide, top - size, count)
            for paragraph, high in words:
                top -= high
                paragraph.drawOn(self, left, top)

    return Numbered
