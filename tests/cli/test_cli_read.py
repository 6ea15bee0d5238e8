"""`dosetrack read`: one document, every file in one list, exit codes; nothing imported that is not used."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from pydicom.data import get_testdata_file

from dosetrack.records.content import ContentNode
from dosetrack.records.report import DoseReport, DoseTotal, Filter, IrradiationEvent
from dosetrack.records.template import TemplateCheck

sys.path.insert(0, str(Path(__file__).parents[1] / "readers"))

from rdsr_files import EventPlan, accumulated, container, event, num, report, saved


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("read") / "good.dcm"
    path.write_bytes(
        saved(report([accumulated("single", {"113725": ("0.00456", "Gy")}), event(EventPlan())]))
    )
    return path


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from dosetrack.cli import main; main()", "read", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=Path(__file__).parents[2])


def names(record: type) -> set[str]:
    return set(record.__dataclass_fields__)  # type: ignore[attr-defined]


def test_document_has_the_keys_of_the_contract(good: Path) -> None:
    done = run("--json", good)
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert set(document) == {"reports", "refused"}
    [one] = document["reports"]
    assert set(one) == names(DoseReport)
    assert set(one["events"][0]) == names(IrradiationEvent)
    assert set(one["events"][0]["filters"][0]) == names(Filter)
    assert set(one["totals"][0]) == names(DoseTotal)
    assert one["patient"]["name"] == "Invented^Zoë"
    assert one["events"][0]["reference_air_kerma_mgy"] == 4.56
    assert one["file"] == str(good)


def test_every_file_stands_in_exactly_one_list(good: Path, tmp_path: Path) -> None:
    image = get_testdata_file("CT_small.dcm")
    empty = tmp_path / "empty.dcm"
    empty.write_bytes(b"")
    cut = tmp_path / "cut.dcm"
    cut.write_bytes(good.read_bytes()[:-100])
    bad = [empty, cut, image, tmp_path, tmp_path / "none.dcm"]
    done = run(good, *bad, "--json")
    document = json.loads(done.stdout)
    assert done.returncode == 1
    assert [one["file"] for one in document["reports"]] == [str(good)]
    assert [one["file"] for one in document["refused"]] == [str(path) for path in bad]
    reasons = [one["reason"] for one in document["refused"]]
    words = ["empty", "truncated", "CT Image Storage", "folder", "no such file"]
    assert all(word in reason for word, reason in zip(words, reasons, strict=True)), reasons
    assert all(str(path) in done.stderr for path in bad)


def test_nothing_usable_and_wrong_usage(tmp_path: Path) -> None:
    done = run(tmp_path / "none.dcm", "--json")
    assert done.returncode == 3
    assert json.loads(done.stdout)["reports"] == []
    usage = run("--nonsense")
    assert (usage.returncode, usage.stdout) == (2, "")
    assert run("--json").returncode == 2


def test_table_for_people(good: Path) -> None:
    done = run(good)
    assert done.returncode == 0
    assert "Invented^Zoë" in done.stdout
    row = next(line for line in done.stdout.splitlines() if "stated" in line)
    assert row.split()[:2] == ["single", "stated"]
    assert "4.56" in row
    assert "not known" in row


def test_only_what_is_used_is_imported(good: Path) -> None:
    code = (
        "import sys; sys.argv = ['dosetrack', 'read', '--json', sys.argv[1]]\n"
        "from dosetrack.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'pydicom', 'pint', 'pandas', 'numpy', 'sqlalchemy', 'dash', 'plotly'} & set(sys.modules)\n"
        "print(sorted(heavy), file=sys.stderr)"
    )
    command = [sys.executable, "-c", code, str(good)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2])
    assert done.stderr.strip() == "[]"


def test_content_is_shown_on_request(tmp_path: Path) -> None:
    path = tmp_path / "report.dcm"
    private = container(("77", "99INVENTED", "Private box"), [num("78", "1.50", "mm", "Private number")])
    path.write_bytes(saved(report([event(EventPlan()), private])))
    told = run("--content", path).stdout
    assert "Private number [78 DCM]: 1.50 mm  <- not known here" in told
    [one] = json.loads(run("--json", "--content", path).stdout)["reports"]
    assert set(one) == {*names(DoseReport), "content"}
    assert set(one["content"]) == names(ContentNode)
    assert one["content"]["children"][-1]["children"][0]["value"] == "1.50"
    [without] = json.loads(run("--json", path).stdout)["reports"]
    assert "content" not in without


def test_template_is_checked_on_request(tmp_path: Path) -> None:
    path = tmp_path / "report.dcm"
    path.write_bytes(saved(report([event(EventPlan(drop=("113769",)))])))
    [one] = json.loads(run("--json", "--template", path).stdout)["reports"]
    assert set(one) == {*names(DoseReport), "template"}
    assert set(one["template"]) == names(TemplateCheck)
    assert "113769 DCM" in {issue["code"] for issue in one["template"]["missing"]}
    [without] = json.loads(run("--json", path).stdout)["reports"]
    assert "template" not in without
    told = run("--template", path).stdout
    assert "missing:" in told
    assert "Irradiation Event UID [113769 DCM]: 1 of 1, in irradiation event x ray data" in told
