"""Write log_vN.sql: a small log as version N of its tables holds it, to be opened by every later version.

Run once for each version, when it is new: ``python tests/log/make_log.py``. Its output is never remade.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from lightgap.log.records import NewPhoto  # noqa: E402
from lightgap.log.store import Log  # noqa: E402
from lightgap.report import PhotoPart  # noqa: E402
from made_ring import faulty_report, make_measurement, make_plan, make_report_of  # noqa: E402

PRINT = b"a ring's print"


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, Log(Path(folder)) as log:
        plan = make_plan()
        build = log.add_build("Bowl", {"wood": "oak"})
        ring = log.add_ring(build.id, plan, "foot")
        photo = NewPhoto("IMG_0001.JPG", b"\xff\xd8\xff not really a photo")
        check = log.add_check(
            ring.id,
            [photo],
            faulty_report().to_dict(budgets=True),
            reference="cards",
            settings={"printed_bar_mm": [99.6, 99.8]},
            notes={"who": "Zoë"},
        )
        log.add_result(check.id, make_report_of(plan, make_measurement(plan)).to_dict())
        later = log.add_check(
            ring.id, [photo, NewPhoto("IMG_0002.JPG", b"another")], joined(), ring_print=PRINT
        )
        first, last = log.check(check.id).results[-1], later.results[-1]
        log.say_turn(first, last, 3, face_down=False)
        log.delete("ring", log.add_ring(build.id, plan, "spoiled").id)
        header = [
            f"PRAGMA {name} = {log.connection.execute(f'PRAGMA {name}').fetchone()[0]};"
            for name in ("application_id", "user_version")
        ]
        lines = [*header, *log.connection.iterdump()]
        version = log.connection.execute("PRAGMA user_version").fetchone()[0]
    with (HERE / f"log_v{version}.sql").open("x", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")


def joined() -> dict[str, Any]:
    """A report of two photos, the second of them the base."""
    report = make_report_of(make_plan(), make_measurement(make_plan()))
    parts = (PhotoPart("IMG_0001.JPG", "joined"), PhotoPart("IMG_0002.JPG", "base"))
    return replace(report, photos=parts).to_dict(budgets=True)


if __name__ == "__main__":
    main()
