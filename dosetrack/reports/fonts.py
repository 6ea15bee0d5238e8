"""Letters of every script on paper: which typeface draws them, and in which order.

Latin, Greek, Cyrillic, Hebrew and Arabic stand in DejaVu Sans, which comes with matplotlib and is embedded.
Chinese, Japanese and Korean need a typeface of the computer with TrueType outlines, which is embedded
too; letters that none has are left to the fonts of whoever reads the file (Adobe's standard CID fonts).
Arabic letters are joined and right-to-left runs put in their visual order before they are drawn.
"""

from __future__ import annotations

import logging
import re
import unicodedata
from collections.abc import Iterator
from functools import cache
from itertools import groupby
from pathlib import PurePath
from xml.sax.saxutils import escape

import arabic_reshaper
from bidi import get_display
from matplotlib import get_data_path
from matplotlib.font_manager import FontProperties, findfont
from reportlab.lib.fonts import addMapping
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFError, TTFont

logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)  # it tells of every font it skips

FACE = "Paper"
_FACES = {
    "Paper": "DejaVuSans.ttf",
    "Paper-Bold": "DejaVuSans-Bold.ttf",
    "Paper-Italic": "DejaVuSans-Oblique.ttf",
    "Paper-BoldItalic": "DejaVuSans-BoldOblique.ttf",
}
EAST_ASIAN_FAMILIES = (
    "Droid Sans Fallback",
    "WenQuanYi Zen Hei",
    "WenQuanYi Micro Hei",
    "Arial Unicode MS",
    "Microsoft YaHei",
    "NanumGothic",
    "Malgun Gothic",
    "MS Gothic",
    "SimSun",
)
"""Families with TrueType outlines and wide coverage, in order of choice."""
_CID = {"kana": "HeiseiKakuGo-W5", "hangul": "HYGothic-Medium", "han": "STSong-Light"}
_EMBEDDED = "Paper-EastAsian"
_TIED = re.compile(r"(?<=\d) (?=\d)")
"""Between the digits of a number, which is not broken over two lines."""
_BETWEEN = " -'"
_RIGHT_TO_LEFT = frozenset({"R", "AL"})


@cache
def register_faces() -> None:
    """Make the typefaces known to the PDF library, once."""
    folder = PurePath(get_data_path()) / "fonts" / "ttf"
    for name, file in _FACES.items():
        registerFont(TTFont(name, str(folder / file)))
    for bold, italic, name in ((0, 0, ""), (1, 0, "-Bold"), (0, 1, "-Italic"), (1, 1, "-BoldItalic")):
        addMapping(FACE, bold, italic, f"{FACE}{name}")


@cache
def east_asian_faces(
    families: tuple[str, ...] = EAST_ASIAN_FAMILIES,
) -> tuple[tuple[str, frozenset[int]], ...]:
    """(name, letters it has) of the computer's typefaces for Chinese, Japanese and Korean, embedded."""
    found = []
    for number, family in enumerate(families):
        name = f"{_EMBEDDED}-{number}"
        try:
            file = findfont(FontProperties(family=[family]), fallback_to_default=False)
            font = TTFont(name, file, subfontIndex=0)
        except (ValueError, TTFError, OSError):  # not there, or without TrueType outlines
            continue
        registerFont(font)
        found.append((name, frozenset(font.face.charToGlyph)))
    return tuple(found)


@cache
def _cid_face(script: str) -> str:
    registerFont(UnicodeCIDFont(_CID[script]))
    return _CID[script]


def markup(text: str) -> str:
    """`text` as the PDF library's paragraph markup, each run in a typeface that has its letters."""
    register_faces()
    return "".join(
        escape(run) if face is None else f'<font name="{face}">{escape(run)}</font>'
        for run, face in _runs(_TIED.sub("\u00a0", visual(text)))
    )


def visual(text: str) -> str:
    """`text` with Arabic letters joined and each right-to-left run in the order it is drawn.

    A run has only letters of its script and what stands between them: a number beside a name is not
    drawn into it, so that a patient's number never changes its place.
    """
    if not any(_is_right_to_left(letter) for letter in text):
        return text
    found, start = [], 0
    while start < len(text):
        end = _end_of_run(text, start)
        if end > start:
            found.append(str(get_display(arabic_reshaper.reshape(text[start:end]), base_dir="R")))
        else:
            end = start + 1
            found.append(text[start])
        start = end
    return "".join(found)


def _end_of_run(text: str, start: int) -> int:
    """Where the right-to-left run that begins at `start` ends; `start` where none begins."""
    end = start
    for place in range(start, len(text)):
        letter = text[place]
        if _is_right_to_left(letter):
            end = place + 1
        elif end == start or not (letter in _BETWEEN or unicodedata.combining(letter)):
            break
        elif unicodedata.combining(letter):
            end = place + 1
    return end


def _is_right_to_left(letter: str) -> bool:
    return unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT


def _runs(text: str) -> Iterator[tuple[str, str | None]]:
    """Runs of one typeface, and its name; None for the paper's own."""
    script = _east_asian_script(text)
    for face, letters in groupby(text, key=lambda letter: _face_of(letter, script)):
        yield "".join(letters), face


def _face_of(letter: str, script: str) -> str | None:
    if not _is_east_asian(letter):
        return None
    has_it = (name for name, letters in east_asian_faces() if ord(letter) in letters)
    return next(has_it, None) or _cid_face(script)


def _is_east_asian(letter: str) -> bool:
    return unicodedata.east_asian_width(letter) in "WF" or 0xAC00 <= ord(letter) <= 0xD7AF


def _east_asian_script(text: str) -> str:
    """Which typeface of the standard suits: by kana, by hangul, else by Chinese characters."""
    if any(0x3040 <= ord(letter) <= 0x30FF for letter in text):
        return "kana"
    return "hangul" if any(0xAC00 <= ord(letter) <= 0xD7AF for letter in text) else "han"
