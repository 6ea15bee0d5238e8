"""Write the handful of sample reports, what they should give, and an example of typed entries.

    python sample_data/make_samples.py        run where the package is installed, or from the project's folder

The same seed always gives the same bytes; nothing here comes from a patient.
"""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
sys.path.insert(0, str(FOLDER.parent))

from dosetrack.exchange.department.samples import SampleFile, sample_files  # noqa: E402

SEED = 2025
TYPED_ENTRIES = """\
kind,patient id,time,plane,weight [kg],height [cm],creatinine [mg/dL],creatinine date,volume [mL],\
concentration [mgI/mL],dilution,agent,site,power,"Ka,r [mGy]",DAP [Gycm2],fluoroscopy time [min]
size,DEMO-S0003,,,81,174,,,,,,,,,,,
creatinine,DEMO-S0003,,,,,1.32,2025-02-27,,,,,,,,,
injection,DEMO-S0003,2025-03-03T09:24,,,,,,12,300,,iodinated,first-pass,yes,,,
injection,DEMO-S0003,2025-03-03T09:31,,,,,,6,300,,iodinated,first-pass,no,,,
injection,DEMO-S0003,2025-03-03T09:38,,,,,,10,300,1:1,iodinated,first-pass,no,,,
injection,DEMO-S0003,2025-03-03T09:44,,,,,,20,,,CO2,first-pass,no,,,
reading,DEMO-S0003,2025-03-03T09:33,single,,,,,,,,,,,590,101.5,4.2
reading,DEMO-S0003,2025-03-03T09:50,single,,,,,,,,,,,1180,192.8,9.0
"""
COLUMNS = (
    "file", "events", "plane", "dose_area_product_gycm2", "reference_air_kerma_mgy", "fluoroscopy_time_s",
    "acquisition_dose_area_product_gycm2", "acquisition_reference_air_kerma_mgy", "acquisition_time_s",
)  # fmt: skip


def expected_totals(files: list[SampleFile]) -> str:
    """What each file states per plane, as CSV, from the records the files were written from."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for file in files:
        for total in file.record.totals:
            numbers = [getattr(total, name) for name in COLUMNS[3:]]
            writer.writerow([file.name, len(file.record.events), total.plane, *numbers])
    return text.getvalue()


def main() -> None:
    """Write every file beside this script."""
    files = list(sample_files(seed=SEED))
    for file in files:
        (FOLDER / file.name).write_bytes(file.content)
        print(f"{file.name}: {len(file.content)} bytes, {len(file.record.events)} events")
    (FOLDER / "typed_entries.csv").write_text(TYPED_ENTRIES, encoding="utf-8")
    (FOLDER / "expected_totals.csv").write_text(expected_totals(files), encoding="utf-8")


if __name__ == "__main__":
    main()
