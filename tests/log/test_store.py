"""The log: what is put in comes out, in order, and what is deleted comes back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from lightgap import __version__
from lightgap.errors import LogError, NotInLog, PhotoError
from lightgap.judge import Verdict
from lightgap.log.records import Filters, NewPhoto
from lightgap.log.store import DATABASE, Log, default_folder
from lightgap.log.stored import read_report
from lightgap.values import Below, Value
from made_ring import faulty_report, make_measurement, make_plan, make_report_of

PHOTO = NewPhoto("IMG_0001.JPG", b"\xff\xd8\xff first photo")
OTHER = NewPhoto("../../IMG_0002.JPG", b"\xff\xd8\xff second photo")
PLAN = make_plan()
FAULTY = faulty_report().to_dict(budgets=True)
GOOD = make_report_of(PLAN, make_measurement(PLAN)).to_dict(budgets=True)


def _ring_in(log: Log, name: str = "Bowl", **notes: str) -> int:
    return log.add_ring(log.add_build(name, notes).id, PLAN).id


def test_a_check_comes_back_whole(log: Log) -> None:
    ring_id = _ring_in(log)
    check = log.add_check(
        ring_id,
        [PHOTO, OTHER],
        FAULTY,
        reference="cards",
        settings={"printed_bar_mm": [99.6, 99.8]},
        notes={"who": "Zoë", "moisture": "8 %"},
        made_at=datetime(2026, 3, 1, 9, 30, tzinfo=UTC),
    )
    assert log.check(check.id) == check
    assert check.plan == PLAN
    assert (check.reference, check.settings) == ("cards", {"printed_bar_mm": [99.6, 99.8]})
    assert (check.notes, check.made_at) == ({"who": "Zoë", "moisture": "8 %"}, "2026-03-01T09:30:00.000000Z")
    assert [photo.name for photo in check.photos] == [PHOTO.name, OTHER.name]
    assert [log.photos.read(photo.stored) for photo in check.photos] == [PHOTO.data, OTHER.data]
    (result,) = check.results
    assert (result.program, result.report, result.error) == (__version__, FAULTY, None)
    assert read_report(result.report or {}).verdict is Verdict.OUT


def test_the_list_shows_verdict_headline_and_worst_gap(log: Log) -> None:
    check = log.add_check(_ring_in(log, wood="oak"), [PHOTO], FAULTY)
    (line,) = log.checks().items
    assert line.summary == check.summary
    assert (line.summary.verdict, line.summary.headline) == (Verdict.OUT, FAULTY["headline"])
    assert isinstance(line.summary.worst_gap, Value)
    assert line.summary.worst_gap.value == pytest.approx(0.36)
    assert line.summary.worst_gap.u95 == pytest.approx(0.03, abs=1e-5)
    assert (line.summary.worst_gap_joint, line.wood, line.ring_title) == (8, "oak", "ring 1")
    assert line.photo == check.photos[0].stored


def test_measuring_again_keeps_both_results(log: Log) -> None:
    check = log.add_check(_ring_in(log), [PHOTO], FAULTY)
    newer = {**GOOD, "program": {"name": "lightgap", "version": "9.9"}}
    check = log.add_result(check.id, newer)
    assert [result.program for result in check.results] == [__version__, "9.9"]
    assert check.latest is not None and check.latest.report == newer
    assert check.summary.verdict is Verdict.IN


def test_the_latest_word_counts_even_when_it_is_a_failure(log: Log) -> None:
    check = log.add_check(_ring_in(log), [PHOTO], GOOD)
    check = log.add_result(check.id, PhotoError("The photo is too dark.", "Take it again in better light."))
    assert check.summary.verdict is Verdict.UNMEASURED
    assert check.summary.headline == "The photo is too dark."
    assert check.results[1].error == {
        "message": "The photo is too dark.",
        "hint": "Take it again in better light.",
    }


def test_the_worst_gap_of_a_spaced_ring_is_the_one_furthest_from_its_plan(log: Log) -> None:
    plan = make_plan(joint="spaced")
    joints = {3: {"gap": (3.0, 3.1, 3.2)}, 5: {"gap": (2.5, 2.6, 2.7)}}
    report = make_report_of(plan, make_measurement(plan, joints)).to_dict()
    check = log.add_check(_ring_in(log), [PHOTO], report, plan=plan)
    assert isinstance(check.summary.worst_gap, Value)
    assert (check.summary.worst_gap.value, check.summary.worst_gap_joint) == (pytest.approx(2.5), 5)


def test_the_worst_gap_may_be_below_what_can_be_measured(log: Log) -> None:
    unseen = {f"gap_{place}_mm": Below(0.04) for place in ("inside", "middle", "outside")}
    measurement = make_measurement(PLAN, dict.fromkeys(range(1, 13), unseen))
    report = make_report_of(PLAN, measurement).to_dict()
    check = log.add_check(_ring_in(log), [PHOTO], report)
    assert check.summary.worst_gap == Below(0.04)


def test_rings_stand_in_stacking_order_and_can_be_moved(log: Log) -> None:
    build = log.add_build("Vase")
    foot, wall, rim = (log.add_ring(build.id, PLAN, name).id for name in ("foot", "wall", "rim"))
    assert [ring.name for ring in log.build(build.id).rings] == ["foot", "wall", "rim"]
    moved = log.move_ring(rim, 1)
    assert [(ring.position, ring.name) for ring in moved.rings] == [(1, "rim"), (2, "foot"), (3, "wall")]
    log.delete("ring", foot)
    moved = log.move_ring(rim, 99)
    assert [ring.id for ring in moved.rings] == [wall, rim]


def test_a_build_knows_the_latest_verdict_on_each_ring(log: Log) -> None:
    build = log.add_build("Bowl")
    rings = [log.add_ring(build.id, PLAN).id for _ in range(3)]
    log.add_check(rings[0], [PHOTO], FAULTY)
    log.add_check(rings[0], [OTHER], GOOD)
    log.add_check(rings[1], [OTHER], FAULTY)
    assert log.build(build.id).latest_verdicts == (Verdict.IN, Verdict.OUT, None)
    (line,) = log.builds().items
    assert (line.rings, line.checks, line.verdict) == (3, 3, Verdict.OUT)
    assert line.photo is not None and log.photos.read(line.photo) == OTHER.data


def test_a_changed_plan_leaves_earlier_checks_with_theirs(log: Log) -> None:
    check = log.add_check(_ring_in(log), [PHOTO], GOOD)
    ring = log.set_plan(check.ring_id, make_plan(segments=16))
    assert (ring.plan.segments, log.check(check.id).plan.segments) == (16, 12)


def test_a_check_under_the_wrong_ring_can_be_moved(log: Log) -> None:
    wrong, right = _ring_in(log, "Bowl"), _ring_in(log, "Vase")
    check = log.add_check(wrong, [PHOTO], GOOD)
    assert log.move_check(check.id, right).ring_id == right
    assert (log.ring(wrong).checks, log.ring(right).checks) == (0, 1)


def test_a_note_is_set_changed_and_removed_and_says_what_it_replaced(log: Log) -> None:
    build = log.add_build("Bowl", {"wood": "oak"})
    assert log.note("build", build.id, "Wood", "ash") == "oak"
    assert log.note("build", build.id, " clamp time ", "45 min") is None
    assert log.build(build.id).notes == {"clamp time": "45 min", "Wood": "ash"}
    assert log.note("build", build.id, "wood", None) == "ash"
    assert log.build(build.id).notes == {"clamp time": "45 min"}
    with pytest.raises(LogError, match="needs a name"):
        log.note("build", build.id, "  ", "oak")


def test_what_is_deleted_is_gone_from_every_list_and_comes_back(log: Log) -> None:
    check = log.add_check(_ring_in(log), [PHOTO], GOOD)
    ring = log.ring(check.ring_id)
    for kind, number in (("check", check.id), ("ring", ring.id), ("build", ring.build_id)):
        log.delete(kind, number)
        assert log.checks().items == ()
        assert [item.kind for item in log.deleted()] == [kind]
        undone = log.undo()
        assert undone is not None and (undone.kind, undone.id) == (kind, number)
        assert [line.id for line in log.checks().items] == [check.id]
        assert [line.checks for line in log.builds().items] == [1]
    assert log.undo() is None


def test_undo_brings_back_the_last_deleted_first(log: Log) -> None:
    first, second = _ring_in(log, "Bowl"), _ring_in(log, "Vase")
    log.delete("ring", first)
    log.delete("ring", second)
    assert [undone and undone.id for undone in (log.undo(), log.undo())] == [second, first]


def test_restoring_a_check_restores_the_ring_and_build_it_belongs_to(log: Log) -> None:
    check = log.add_check(_ring_in(log), [PHOTO], GOOD)
    ring = log.ring(check.ring_id)
    log.delete("check", check.id)
    log.delete("build", ring.build_id)
    log.restore("check", check.id)
    assert [line.id for line in log.checks().items] == [check.id]


def test_nothing_is_added_to_what_is_deleted(log: Log) -> None:
    ring = log.ring(_ring_in(log))
    log.delete("build", ring.build_id)
    with pytest.raises(NotInLog, match=f"build {ring.build_id} was deleted"):
        log.add_check(ring.id, [PHOTO])
    with pytest.raises(NotInLog, match="was deleted"):
        log.add_ring(ring.build_id, PLAN)


def test_a_purge_takes_away_only_what_was_deleted_and_photos_that_nothing_else_names(log: Log) -> None:
    kept, gone = _ring_in(log, "Bowl"), _ring_in(log, "Vase")
    shared = log.add_check(kept, [PHOTO], GOOD)
    lost = log.add_check(gone, [PHOTO, OTHER], GOOD)
    log.delete("build", log.ring(gone).build_id)
    assert log.purge(days=30.0) == 0
    assert log.purge(days=0.0) == 1
    assert log.photos.read(shared.photos[0].stored) == PHOTO.data
    assert not log.photos.path(lost.photos[1].stored).exists()
    with pytest.raises(NotInLog):
        log.check(lost.id)
    with pytest.raises(NotInLog):
        log.photo(lost.photos[1].stored.sha256)


def _dated(log: Log, ring_id: int, day: int, report: dict[str, object]) -> int:
    return log.add_check(ring_id, [PHOTO], report, made_at=datetime(2026, 3, day, 12, tzinfo=UTC)).id


def test_filters_by_wood_verdict_date_and_text(log: Log) -> None:
    oak = _ring_in(log, "Bowl", wood="White Oak")
    ash = log.add_ring(log.ring(oak).build_id, PLAN, "rim", {"wood": "ash"}).id
    vase = _ring_in(log, "Große Vase", glue="hide glue")
    one, two, three = _dated(log, oak, 1, GOOD), _dated(log, ash, 2, FAULTY), _dated(log, vase, 3, FAULTY)
    log.note("check", one, "who", "ŽOFIE")

    def found(**filters: object) -> list[int]:
        return [line.id for line in log.checks(Filters(**filters)).items]  # type: ignore[arg-type]

    assert found() == [three, two, one]
    assert found(wood="oak") == [one]
    assert found(wood="ASH") == [two]
    assert found(verdict=Verdict.OUT) == [three, two]
    assert found(first_day=date(2026, 3, 2), last_day=date(2026, 3, 2)) == [two]
    assert found(ring_id=ash) == [two]
    assert found(build_id=log.ring(oak).build_id) == [two, one]
    assert found(text="GROSSE") == [three]
    assert found(text="hide") == [three]
    assert found(text="žofie") == [one]
    assert found(text="rim") == [two]
    assert found(text="segment 7") == [three, two]
    assert found(text="100%_") == []
    assert found(text="img_0001", verdict=Verdict.IN) == [one]


def test_pages_follow_one_another_without_gap_or_repeat_while_checks_are_added(log: Log) -> None:
    ring_id = _ring_in(log)
    made = [_dated(log, ring_id, day, GOOD) for day in (1, 1, 2, 2, 2, 3, 4)]
    seen: list[int] = []
    after = None
    while True:
        page = log.checks(after=after, size=2)
        seen += [line.id for line in page.items]
        _dated(log, ring_id, 20, GOOD)
        if page.after is None:
            break
        after = page.after
    assert seen == made[::-1]
    with pytest.raises(LogError, match="no place in a list"):
        log.checks(after="yesterday")


def test_builds_stand_last_changed_first_page_by_page(log: Log) -> None:
    first, second, third = (log.add_build(name).id for name in ("Bowl", "Vase", "Box"))
    log.note("build", first, "wood", "elm")
    page = log.builds(size=2)
    assert [line.id for line in page.items] == [first, third]
    assert [line.id for line in log.builds(page.after, size=2).items] == [second]
    log.rename("build", second, "Tall vase")
    assert log.builds(size=1).items[0].name == "Tall vase"


@pytest.mark.parametrize("kind", ["build", "ring", "check"])
def test_what_is_not_there_is_said_to_be_missing(log: Log, kind: str) -> None:
    for act in (getattr(log, kind), lambda number: log.delete(kind, number)):  # type: ignore[arg-type]
        with pytest.raises(NotInLog, match=f"There is no {kind} 77"):
            act(77)


def test_a_photo_that_was_tampered_with_is_not_handed_out(log: Log) -> None:
    check = log.add_check(_ring_in(log), [PHOTO])
    path = log.photos.path(check.photos[0].stored)
    path.write_bytes(PHOTO.data[::-1])
    with pytest.raises(LogError, match="no longer what was stored"):
        log.photos.read(check.photos[0].stored)
    path.unlink()
    with pytest.raises(LogError, match="is missing"):
        log.photos.read(check.photos[0].stored)


def test_two_programs_may_use_one_log(tmp_path: Path) -> None:
    with Log(tmp_path) as one, Log(tmp_path) as other:
        ring_id = _ring_in(one)
        with one.snapshot():
            before = one.checks()
            other.add_check(ring_id, [PHOTO], GOOD)
            assert one.checks() == before
        assert len(one.checks().items) == 1


def test_the_log_is_where_the_person_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LIGHTGAP_LOG", str(tmp_path / "workshop"))
    with Log() as opened:
        assert opened.folder == tmp_path / "workshop"
        assert (tmp_path / "workshop" / DATABASE).is_file()
    monkeypatch.delenv("LIGHTGAP_LOG")
    assert "lightgap" in str(default_folder())
