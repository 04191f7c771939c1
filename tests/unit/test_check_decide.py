"""What would decide what is undecided."""

from __future__ import annotations

import math

import pytest

from terrain.sensor.decide import judged, worst


def test_the_largest_source_is_named_with_how_much_finer_it_must_be() -> None:
    """Bias 6 mm, tolerance 10, u 3 mm from the reference alone: U must shrink from 6 to 4 mm, by 1.5."""
    one = judged("bias", "m", 0.006, {"reference": 0.003, "noise": 1e-5}, 0.010)
    assert one.decision == "undecided" and one.expanded == pytest.approx(0.006, rel=1e-4)
    assert "mostly from reference: measure the target itself 1.5 times as finely" in one.advice
    finer = judged("bias", "m", 0.006, {"reference": 0.003 / 1.51, "noise": 1e-5}, 0.010)
    assert finer.decision == "pass"


def test_noise_averages_by_the_square_of_the_time() -> None:
    one = judged("drift", "m", 0.002, {"noise": 0.003}, 0.005)
    assert "scan it 4 times as long" in one.advice
    assert judged("drift", "m", 0.002, {"noise": 0.003 / 2.0}, 0.005).decision == "pass"


def test_poses_ask_for_more_stands() -> None:
    one = judged("bias", "m", 0.0, {"poses": 0.010, "noise": 0.001}, 0.010)
    assert "5 times as many stands" in one.advice
    assert judged("bias", "m", 0.0, {"poses": 0.010 / math.sqrt(5.0), "noise": 0.001}, 0.010).decision == "pass"


def test_a_value_at_its_tolerance_is_not_worth_measuring() -> None:
    assert "too near to decide" in judged("bias", "m", 0.0099, {"noise": 0.001}, 0.010).advice


def test_two_equal_sources_are_not_blamed_on_one() -> None:
    assert "no single source" in judged("bias", "m", 0.008, {"noise": 0.002, "poses": 0.002}, 0.010).advice


def test_too_few_points_decide_nothing_and_no_tolerance_judges_nothing() -> None:
    few = judged("bias", "m", 0.0, {"noise": 0.0001}, 0.010, enough="only 12 points")
    assert (few.decision, few.advice) == ("undecided", "only 12 points")
    assert judged("x", "m", 5.0, {"noise": 1.0}, None).decision == "pass"


@pytest.mark.parametrize(
    ("decisions", "verdict"),
    [(("pass", "pass"), "pass"), (("pass", "undecided"), "undecided"), (("undecided", "fail", "pass"), "fail")],
)
def test_the_worst_decides(decisions: tuple[str, ...], verdict: str) -> None:
    assert worst(decisions) == verdict
