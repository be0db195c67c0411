"""Write log_v1.sql: a small log as version 1 of its tables holds it, to be opened by every later version.

Run once, when the version was new: ``python tests/log/make_log_v1.py``. Its output is never remade.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from lightgap.log.records import NewPhoto  # noqa: E402
from lightgap.log.store import Log  # noqa: E402
from made_ring import faulty_report, make_measurement, make_plan, make_report_of  # noqa: E402


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
        log.delete("ring", log.add_ring(build.id, plan, "spoiled").id)
        header = [
            f"PRAGMA {name} = {log.connection.execute(f'PRAGMA {name}').fetchone()[0]};"
            for name in ("application_id", "user_version")
        ]
        lines = [*header, *log.connection.iterdump()]
    (HERE / "log_v1.sql").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
