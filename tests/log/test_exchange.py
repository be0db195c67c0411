"""A build as one zip: out and in again without loss, readable elsewhere, harmless whoever made it."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lightgap.errors import LogError, PhotoError
from lightgap.log import exchange, intake
from lightgap.log.exchange import build_form, export_build
from lightgap.log.intake import import_build
from lightgap.log.records import NewPhoto
from lightgap.log.store import Log
from lightgap.report import PhotoPart
from lightgap.values import Below
from made_ring import faulty_report, make_measurement, make_plan, make_report_of

PHOTO = NewPhoto("=IMG 1.JPG", b"\xff\xd8\xff first photo")
OTHER = NewPhoto("IMG 2.HEIC", b"\x00\x00\x00\x18ftypheic second photo")
Form = dict[str, Any]


@pytest.fixture
def build_id(log: Log) -> int:
    """A build with everything in it: two rings, a measuring again, a failure, notes, a deleted check."""
    plan = make_plan()
    spaced = make_plan(joint="spaced")
    joints = {4: {"gap_inside_mm": Below(0.04)}}
    build = log.add_build("Großer Bowl, «tall»", {"wood": "oak", "resin mix": "2:1"})
    wall = log.add_ring(build.id, spaced, "wall")
    foot = log.add_ring(build.id, plan, "", {"glue": "hide\nglue"})
    log.move_ring(foot.id, 1)
    failed = PhotoError("Too dark.", "More light.")
    first = log.add_check(
        foot.id, [PHOTO, OTHER], faulty_report().to_dict(budgets=True), notes={"who": "Zoë"}
    )
    log.add_result(first.id, failed)
    log.add_result(first.id, make_report_of(plan, make_measurement(plan)).to_dict(budgets=True))
    report = make_report_of(spaced, make_measurement(spaced, joints)).to_dict()
    log.add_check(wall.id, [OTHER], report, reference="sheet:A3", settings={"printed_bar_mm": [99.6, 99.8]})
    together = replace(
        make_report_of(spaced, make_measurement(spaced)),
        photos=(PhotoPart(OTHER.name, "joined"), PhotoPart(PHOTO.name, "base", "It contradicts the other.")),
    )
    log.add_check(wall.id, [PHOTO])
    several = log.add_check(
        wall.id,
        [OTHER, PHOTO],
        together.to_dict(budgets=True),
        settings={"left_out": [0]},
        ring_print=b"left out of the zip",
    )
    log.say_turn(log.history(wall.id)[0].results[0], several.results[0], 5, face_down=True)
    log.delete("check", log.add_check(wall.id, [NewPhoto("gone.jpg", b"gone")]).id)
    return build.id


def _form(log: Log, build_id: int) -> Form:
    build = log.build(build_id)
    form: Form = build_form(
        build,
        [(ring, log.history(ring.id)) for ring in build.rings],
        {ring.id: log.turns(ring.id) for ring in build.rings},
    )["build"]
    return form


def test_a_build_comes_back_without_loss(log: Log, build_id: int, tmp_path: Path) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    with Log(tmp_path / "empty") as other:
        back = import_build(other, tmp_path / "bowl.zip")
        assert _form(other, back.id) == _form(log, build_id)
        for ring in back.rings:
            for check in other.history(ring.id):
                assert [other.photos.read(photo.stored) for photo in check.photos]
        assert [line.summary for line in other.checks().items] == [
            line.summary for line in log.checks().items
        ]
        export_build(other, back.id, tmp_path / "again.zip")
        assert _contents(tmp_path / "again.zip") == _contents(tmp_path / "bowl.zip")


def _contents(path: Path) -> dict[str, object]:
    with zipfile.ZipFile(path) as archive:
        files: dict[str, object] = {name: archive.read(name) for name in archive.namelist()}
    files["build.json"] = json.loads(files["build.json"])["build"]  # type: ignore[arg-type]
    return files


def test_another_program_can_read_it(log: Log, build_id: int, tmp_path: Path) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    with zipfile.ZipFile(tmp_path / "bowl.zip") as archive:
        assert archive.testzip() is None
        assert "build.json" in archive.read("README.txt").decode()
        whole = json.loads(archive.read("build.json"))
        checks = list(csv.DictReader(io.TextIOWrapper(archive.open("checks.csv"), "utf-8")))
        joints = list(csv.DictReader(io.TextIOWrapper(archive.open("joints.csv"), "utf-8")))
        photos = {name: archive.read(name) for name in archive.namelist() if name.startswith("photos/")}
    assert [len(ring["checks"]) for ring in whole["build"]["rings"]] == [1, 3]
    (turn,) = whole["build"]["rings"][1]["turns"]
    assert (turn["earlier_check"], turn["later_check"], turn["turn"], turn["face_down"]) == (1, 3, 5, True)
    assert [row["verdict"] for row in checks] == [
        "out of tolerance",
        "not measured",
        "in tolerance",
        "out of tolerance",
        "in tolerance",
    ]
    assert checks[0]["worst_gap_mm"] == "0.36" and checks[0]["worst_gap_joint"] == "8"
    assert len(joints) == 4 * 24
    assert joints[7]["gap_outside_mm"] == "0.36" and joints[7]["ring"] == "1"
    assert {row["photo"] for row in joints} == {"ring.jpg", "IMG 2.HEIC; =IMG 1.JPG"}
    assert len(photos) == 2
    for name, data in photos.items():
        assert hashlib.sha256(data).hexdigest() == Path(name).stem


def test_text_that_a_spreadsheet_would_take_for_a_formula_is_marked(log: Log, tmp_path: Path) -> None:
    ring = log.add_ring(log.add_build("Bowl").id, make_plan(), "=HYPERLINK(1)")
    log.add_check(ring.id, [PHOTO], PhotoError("-1+2", "none"))
    export_build(log, ring.build_id, tmp_path / "bowl.zip")
    with zipfile.ZipFile(tmp_path / "bowl.zip") as archive:
        (row,) = csv.DictReader(io.TextIOWrapper(archive.open("checks.csv"), "utf-8"))
    assert (row["ring_name"], row["headline"]) == ("'=HYPERLINK(1)", "'-1+2")


def test_a_build_that_is_there_already_comes_in_only_as_a_copy(
    log: Log, build_id: int, tmp_path: Path
) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    with pytest.raises(LogError, match="in the log already"):
        import_build(log, tmp_path / "bowl.zip")
    log.delete("build", build_id)
    with pytest.raises(LogError, match="in the log, deleted") as caught:
        import_build(log, tmp_path / "bowl.zip")
    assert f"lightgap log restore build {build_id}" in caught.value.hint
    copy = import_build(log, tmp_path / "bowl.zip", as_copy=True)
    assert {**_form(log, copy.id), "uid": ""} == {**_form(log, build_id), "uid": ""}
    log.purge(days=0.0)
    assert import_build(log, tmp_path / "bowl.zip").name == copy.name


def test_an_export_that_fails_leaves_no_file(log: Log, build_id: int, tmp_path: Path) -> None:
    ring = log.build(build_id).rings[0]
    log.photos.remove(log.history(ring.id)[0].photos[0].stored)
    with pytest.raises(LogError, match="is missing"):
        export_build(log, build_id, tmp_path / "bowl.zip")
    with pytest.raises(LogError, match="cannot be read or written"):
        export_build(log, build_id, tmp_path / "no such folder" / "bowl.zip")
    assert list(tmp_path.glob("*.zip*")) == []


# What comes from elsewhere

Files = dict[str, bytes]


def _changed(path: Path, change: Callable[[Files], object], compression: int = zipfile.ZIP_STORED) -> Path:
    """Write the zip again with its files changed."""
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    change(files)
    changed = path.with_name("changed.zip")
    with zipfile.ZipFile(changed, "w", compression) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return changed


def _in_form(change: Callable[[Form], object]) -> Callable[[Files], None]:
    def apply(files: Files) -> None:
        form = json.loads(files["build.json"])
        change(form["build"])
        files["build.json"] = json.dumps(form).encode()

    return apply


def _check(form: Form) -> Form:
    check: Form = form["rings"][0]["checks"][0]
    return check


def _report(form: Form) -> Form:
    report: Form = _check(form)["results"][0]["report"]
    return report


def _swap_photo(files: Files) -> None:
    files[next(name for name in files if name.startswith("photos/"))] = b"\xff\xd8\xff another photo"


def _drop_photo(files: Files) -> None:
    del files[next(name for name in files if name.startswith("photos/"))]


HARMFUL: dict[str, tuple[Callable[[Files], object], str]] = {
    "a path out of the folder": (lambda files: files.update({"../../evil.sh": b""}), "does not belong"),
    "an absolute path": (lambda files: files.update({"/etc/evil": b""}), "does not belong"),
    "a photo's path out of the folder": (
        lambda files: files.update({f"photos/../{'0' * 64}.jpg": b""}),
        "does not belong",
    ),
    "another photo under the same name": (_swap_photo, "its SHA-256 differs"),
    "a photo left out": (_drop_photo, "is missing"),
    "a photo that nothing names": (
        lambda files: files.update({f"photos/{hashlib.sha256(b'').hexdigest()}.jpg": b""}),
        "no check names",
    ),
    "no build.json": (lambda files: files.pop("build.json"), "no build.json"),
    "no JSON": (lambda files: files.update({"build.json": b"\xff{"}), "not a build"),
    "JSON too deep": (lambda files: files.update({"build.json": b"[" * 100_000}), "not a build"),
    "another form": (lambda files: files.update({"build.json": b'{"format": "x/2"}'}), "its form is 'x/2'"),
    "a list for a table": (lambda files: files.update({"build.json": b"[]"}), "no table of fields"),
    "a number for a name": (_in_form(lambda form: form.update(name=7)), "'name' is no text"),
    "half a character": (_in_form(lambda form: form.update(name="\ud800")), "not a build"),
    "no uid": (_in_form(lambda form: form.pop("uid")), "'uid' is no text"),
    "a date that is none": (_in_form(lambda form: form.update(made_at="soon")), "'soon' is no date"),
    "an impossible plan": (
        _in_form(lambda form: form["rings"][0]["plan"].update(segments=2)),
        "not a build",
    ),
    "a check without photos": (_in_form(lambda form: _check(form).update(photos=[])), "has no photo"),
    "a result of nothing": (
        _in_form(lambda form: _check(form)["results"][0].update(report=None)),
        "neither a report nor an error",
    ),
    "a damaged report": (
        _in_form(lambda form: _check(form)["results"][0]["report"].pop("joints")),
        "result is damaged",
    ),
    "words for numbers": (
        _in_form(lambda form: _check(form)["results"][0]["report"]["joints"][0].update(angle_deg="x")),
        "not a build",
    ),
    "a number beyond all bounds": (
        _in_form(lambda form: _check(form)["results"][0]["report"]["joints"][7].update(number=2**80)),
        "not a build",
    ),
    "a number that is none": (
        lambda files: files.update(
            {
                "build.json": files["build.json"].replace(
                    b'"across_flats_mm": 220.0', b'"across_flats_mm": NaN'
                )
            }
        ),
        "NaN",
    ),
    "a report of photos that the check has not": (
        _in_form(lambda form: _report(form).update(photos=[{"name": "a", "part": "base", "why": None}] * 3)),
        "other photos than its check",
    ),
    "a turn against a check that is not there": (
        _in_form(lambda form: form["rings"][1]["turns"][0].update(later_check=9)),
        "'later_check' is no whole number from 1 to 3",
    ),
    "a turn against itself": (
        _in_form(lambda form: form["rings"][1]["turns"][0].update(later_check=1)),
        "turned against itself",
    ),
    "a turn without end": (
        _in_form(lambda form: form["rings"][1]["turns"][0].update(turn=10**12)),
        "'turn' is no whole number",
    ),
    "two notes of one name": (
        _in_form(lambda form: form["notes"].update(WOOD="ash")),
        "two notes bear the same name",
    ),
}


@pytest.mark.parametrize(("change", "told"), HARMFUL.values(), ids=HARMFUL.keys())
def test_a_file_made_to_do_harm_is_refused_and_nothing_of_it_stays(
    log: Log, build_id: int, tmp_path: Path, change: Callable[[Files], object], told: str
) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    path = _changed(tmp_path / "bowl.zip", change)
    with Log(tmp_path / "empty") as other:
        with pytest.raises(LogError, match=told):
            import_build(other, path)
        assert other.builds().items == ()
        assert list((tmp_path / "empty").glob("photos/*")) == []
    assert not list(tmp_path.rglob("evil*"))


def test_a_file_that_would_swell_is_refused_before_it_is_unpacked(
    log: Log, build_id: int, tmp_path: Path
) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    swollen = {"README.txt": b" " * 30_000_000}
    path = _changed(tmp_path / "bowl.zip", lambda files: files.update(swollen), zipfile.ZIP_DEFLATED)
    with pytest.raises(LogError, match="would swell"):
        import_build(log, path, as_copy=True)


def test_two_files_of_one_name_are_refused(log: Log, build_id: int, tmp_path: Path) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    with (
        zipfile.ZipFile(tmp_path / "bowl.zip", "a") as archive,
        pytest.warns(UserWarning, match="Duplicate name"),
    ):
        archive.writestr("build.json", "{}")
    with pytest.raises(LogError, match="two files of the same name"):
        import_build(log, tmp_path / "bowl.zip", as_copy=True)


@pytest.mark.parametrize("keep", [0, 100, 5000, -30])
def test_a_file_that_is_no_zip_or_cut_short_is_refused(
    log: Log, build_id: int, tmp_path: Path, keep: int
) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    whole = (tmp_path / "bowl.zip").read_bytes()
    (tmp_path / "cut.zip").write_bytes(whole[:keep])
    with pytest.raises(LogError, match=r"cut\.zip is no whole zip file"):
        import_build(log, tmp_path / "cut.zip", as_copy=True)


def test_a_build_for_which_there_is_no_room_is_refused(
    log: Log, build_id: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    monkeypatch.setattr(intake, "SPARE_BYTES", 10**18)
    with pytest.raises(LogError, match="There is no room"):
        import_build(log, tmp_path / "bowl.zip", as_copy=True)


def test_an_import_that_fails_late_leaves_the_photos_that_others_name(
    log: Log, build_id: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    export_build(log, build_id, tmp_path / "bowl.zip")
    before = sorted(path.name for path in (log.folder / "photos").iterdir())

    def fails(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(intake, "_write", fails)
    with pytest.raises(LogError, match="The disk is full"):
        import_build(log, tmp_path / "bowl.zip", as_copy=True)
    assert sorted(path.name for path in (log.folder / "photos").iterdir()) == before
    with Log(tmp_path / "empty") as other:
        with pytest.raises(LogError, match="The disk is full"):
            import_build(other, tmp_path / "bowl.zip")
        assert list((tmp_path / "empty" / "photos").iterdir()) == []


def test_the_readme_in_the_zip_names_every_file_in_it() -> None:
    for name in (exchange.BUILD, exchange.CHECKS, exchange.JOINTS, exchange.README, exchange.PHOTOS):
        assert name in (exchange.__doc__ or "")
