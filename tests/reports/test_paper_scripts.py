"""Names of every script on paper: another program reads them, and they leave ink."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from dataclasses import replace
from pathlib import Path
from subprocess import run

import numpy as np
import pytest
from PIL import Image

from dosetrack.reports import fonts
from dosetrack.reports.blocks import Document, Heading, Text
from dosetrack.reports.case_documents import case_pdf, case_text
from dosetrack.reports.case_paper import CasePaper
from dosetrack.reports.kinds import DocumentKind
from dosetrack.reports.pdf import pdf_of
from tests.reports.paper_cases import extracted

NAMES = {
    "accents": "Ñandú^Zoë Ülkü Åse Łucja Čapek Đorđe",
    "greek": "Παπαδόπουλος^Ελένη",
    "cyrillic": "Щербакова^Їванна",
    "hebrew": "כהן^שרה",
    "arabic": "الهاشمي^ليلى",
    "chinese": "Wang^Xiaodong=王^小东",
    "japanese": "Yamada^Tarou=山田^太郎=やまだ^たろう",
    "korean": "Hong^Gildong=洪^吉洞=홍^길동",
}


def letters(text: str) -> list[str]:
    """The letters of a name whatever their order, joined forms as plain letters."""
    return sorted(c for c in unicodedata.normalize("NFKC", text) if c.isalpha())


def page_of(text: str, **facts: object) -> Document:
    blank = Document(
        title="Invented", department="", address=(), identity=(), running="", blocks=(Text(text),),
        provenance=(), cautions=(),
    )  # fmt: skip
    return replace(blank, **facts)  # type: ignore[arg-type]


@pytest.mark.paper
@pytest.mark.parametrize("script", NAMES)
@pytest.mark.parametrize("kind", [DocumentKind.PATIENT_SHEET, DocumentKind.SUMMARY])
def test_a_name_of_any_script_is_read_back(
    script: str, kind: DocumentKind, facts: CasePaper, tmp_path: Path
) -> None:
    is_record = kind is DocumentKind.SUMMARY
    patient = replace(facts.case.patient, name=NAMES[script])
    named = replace(facts, case=replace(facts.case, patient=patient), skin=replace(facts.skin, map=None))
    text = extracted(case_pdf(named, kind), tmp_path)
    shown = letters(text[text.index("Name ") + 5 : text.index("Room" if is_record else "Patient number")])
    if is_record:  # there the name stands beside other facts
        assert not Counter(letters(NAMES[script])) - Counter(shown)
    else:
        assert shown == letters(NAMES[script])
    assert all(part in case_text(named, kind) for part in NAMES[script].replace("=", "^").split("^"))


# two texts of as many letters; Korean is left out, as no typeface of this system has its letters
ALIKE = {
    "accents": ("ŁŻÅĐ", "ÑÜČØ"),
    "greek": ("Παπα", "Ελέν"),
    "cyrillic": ("Щерб", "Їван"),
    "hebrew": ("כהן", "שרה"),
    "arabic": ("هاشم", "ليلى"),
    "chinese": ("王小东", "李大明"),
    "japanese": ("山田たろう", "太郎やまだ"),
}


@pytest.mark.paper
@pytest.mark.parametrize("script", ALIKE)
def test_each_letter_leaves_its_own_ink(script: str, tmp_path: Path) -> None:
    """Drawn by poppler: two texts of one script differ, so letters are not all the same empty box."""
    first, second, nothing = (
        _ink(text, tmp_path / f"{n}.pdf") for n, text in enumerate((*ALIKE[script], ""))
    )
    assert first.sum() > 60
    assert second.sum() > 60
    assert not np.array_equal(first, second)
    assert nothing.sum() == 0


def _ink(text: str, path: Path) -> np.ndarray:
    """Dark pixels of the text below the title."""
    path.write_bytes(pdf_of(page_of(text)))
    run(
        ["pdftoppm", "-r", "80", "-gray", "-png", "-singlefile", str(path), str(path.with_suffix(""))],
        check=True,
    )
    pixels = np.asarray(Image.open(path.with_suffix(".png")))
    return pixels[75:200] < 128


def test_arabic_is_joined_and_runs_from_right_to_left() -> None:
    """Lam and alef join to one sign, U+FEFB or U+FEFC (Unicode, Arabic Presentation Forms-B)."""
    shown = fonts.visual("سلام A1")
    assert any(letter in shown for letter in "\ufefb\ufefc")
    assert fonts.visual("אבג") == "גבא"
    assert fonts.visual("Dr שרה כהן, 12345, born 1950") == "Dr ןהכ הרש, 12345, born 1950"
    assert fonts.visual("Ida 12") == "Ida 12"


def test_without_a_typeface_of_the_computer_the_readers_own_is_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert fonts.east_asian_faces(("No such family at all",)) == ()
    monkeypatch.setattr(fonts, "east_asian_faces", tuple)
    assert 'name="HeiseiKakuGo-W5"' in fonts.markup("やまだ")
    assert 'name="HYGothic-Medium"' in fonts.markup("홍길동")
    assert 'name="STSong-Light"' in fonts.markup("王")


def test_what_looks_like_markup_is_printed_as_it_stands() -> None:
    assert fonts.markup("<b>A & B</b>") == "&lt;b&gt;A &amp; B&lt;/b&gt;"


@pytest.mark.paper
def test_a_heading_is_not_left_alone_at_the_foot_of_a_page(tmp_path: Path) -> None:
    many = tuple(block for n in range(60) for block in (Heading(f"Heading {n}"), Text(f"Words {n}.")))
    path = tmp_path / "many.pdf"
    path.write_bytes(pdf_of(page_of("", blocks=many)))
    told = run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, text=True).stdout
    for page in told.split("\f"):
        lines = [line.strip() for line in page.splitlines() if line.strip()]
        words = [line for line in lines if line.startswith(("Heading", "Words"))]
        if words:
            assert words[-1].startswith("Words")


@pytest.mark.paper
def test_patients_read_nothing_smaller_than_12_points(facts: CasePaper, tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_bytes(case_pdf(facts, DocumentKind.PATIENT_SHEET))
    run(["pdftotext", "-bbox-layout", str(path), str(tmp_path / "boxes.html")], check=True)
    told = (tmp_path / "boxes.html").read_text(encoding="utf-8")
    heights = [
        float(high) - float(low)
        for low, high in re.findall(r'<word [^>]*yMin="([\d.]+)"[^>]*yMax="([\d.]+)"', told)
    ]
    assert len(heights) > 150
    assert min(heights) >= 12  # poppler's box of a word is as high as its type size
