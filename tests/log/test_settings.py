"""What a measuring was told comes back as it was."""

from __future__ import annotations

import json

import pytest

from lightgap.errors import LogError
from lightgap.hand import ByHand, HandFace
from lightgap.log.settings import Settings, read_settings

HAND = ByHand(
    first_joint_px=(10.5, 20.0),
    outline_px=((1.0, 2.0), (3.0, 4.0), (5.0, 6.5)),
    faces={3: (HandFace((1.0, 1.0), (2.0, 2.0)), HandFace((3.0, 1.0), (4.0, 2.0)))},
    added_px=((7.0, 8.0),),
    struck=frozenset({9, 2}),
)


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        Settings((99.6, 99.8)),
        Settings(by_hand=(HAND,)),
        Settings((99.6, 99.8), (ByHand((1.0, 2.0)),)),
        Settings(by_hand=(None, HAND, None), left_out=frozenset({0, 2})),
    ],
)
def test_settings_come_back_from_their_json_form(settings: Settings) -> None:
    assert read_settings(json.loads(json.dumps(settings.to_dict()))) == settings


def test_help_by_hand_belongs_to_one_photo_of_several() -> None:
    settings = Settings(by_hand=(None, HAND))
    assert [settings.help_for(place) for place in range(3)] == [None, HAND, None]


def test_what_was_not_set_leaves_no_trace() -> None:
    assert Settings().to_dict() == {}


@pytest.mark.parametrize("form", [{"printed_bar_mm": [1]}, {"by_hand": 3}, {"by_hand": {"faces": {"x": {}}}}])
def test_damaged_settings_are_refused(form: dict[str, object]) -> None:
    with pytest.raises(LogError, match="cannot be read"):
        read_settings(form)
