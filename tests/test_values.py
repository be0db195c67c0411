"""A value, a bound, or the reason why there is neither."""

import math

import pytest

from lightgap.values import Below, Contribution, Unknown, Value, budget_rows, measured


def test_independent_contributions_add_as_root_sum_of_squares() -> None:
    value = measured(2.0, {"edge fit": 0.03, "scale": 0.04})
    assert value.standard == pytest.approx(0.05)
    assert value.u95 == pytest.approx(0.10)


def test_a_contributions_sign_does_not_matter() -> None:
    assert measured(1.0, {"plane height": -0.02}) == measured(1.0, {"plane height": 0.02})


def test_contributions_may_come_as_a_list_with_a_name_twice() -> None:
    value = measured(1.0, [Contribution("edge A", 0.3), Contribution("edge A", 0.4)])
    assert value.standard == pytest.approx(0.5)


def test_a_value_without_a_budget_claims_no_uncertainty() -> None:
    assert Value(1.0).u95 == 0.0


def test_the_budget_is_told_largest_first() -> None:
    rows = budget_rows(measured(2.0, {"scale": 0.01, "edge fit": 0.03, "tilt": 0.02}))
    assert [row["name"] for row in rows] == ["edge fit", "tilt", "scale"]
    assert rows[0]["standard"] == 0.03


def test_nothing_measured_has_no_budget() -> None:
    assert budget_rows(Unknown("squeeze-out covers it")) == []


@pytest.mark.parametrize(
    ("value", "form"),
    [
        (measured(2.0, {"edge fit": 0.05}), {"value": 2.0, "u95": 0.1}),
        (measured(1.0 / 3.0, {"edge fit": 0.01 / 3.0}), {"value": 0.33333, "u95": 0.00667}),
        (Below(0.02), {"below": 0.02}),
        (Unknown("squeeze-out covers it"), None),
    ],
)
def test_each_kind_has_its_own_form_in_the_report(value: Value | Below | Unknown, form: object) -> None:
    assert value.to_dict() == form


def test_the_root_of_the_budget_is_the_standard_uncertainty_that_is_reported() -> None:
    value = measured(2.0, {"edge fit": 0.012, "tone curve": 0.005, "scale": 0.002})
    told = math.sqrt(sum(row["standard"] ** 2 for row in budget_rows(value)))
    assert value.to_dict()["u95"] == pytest.approx(2.0 * told, abs=1e-5)
