"""Grades and degrees, ramps of building codes, and what noise does to roughness, as far as scoring goes.

Sources beside each check. Percent to degrees is arctan by definition.
"""

import numpy as np
import pytest

from terrain.data import Label
from terrain.score.placements import judge_placements
from tests.support.grounds import Layer, biped, build_ground, cells, plane

FOOT = biped()
SMALL = {"x_m": (-0.4, 0.4), "y_m": (-0.4, 0.4)}

GRADES = [
    (1.0, 0.573), (2.083, 1.193), (5.0, 2.862), (8.333, 4.764), (10.0, 5.711), (12.5, 7.125), (20.0, 11.310),
    (26.79, 15.0), (36.40, 20.0), (50.0, 26.565), (57.74, 30.0), (70.02, 35.0), (100.0, 45.0),
]  # fmt: skip


@pytest.mark.parametrize(("percent", "degrees"), GRADES)
@pytest.mark.parametrize("heading_deg", [0.0, 30.0, 135.0])
def test_slope_of_a_grade(percent, degrees, heading_deg):
    """Grade in percent is 100 tan(angle); 1:48, 1:20, 1:12 and 1:8 among them (ADA Standards 405.2, 405.3).

    Percent rounded to 0.01 is 0.003 degrees.
    """
    heading = np.deg2rad(heading_deg)
    grade = percent / 100.0
    layer = Layer(plane(grade * np.cos(heading), grade * np.sin(heading)))
    got = judge_placements(build_ground(layer, **SMALL), FOOT, [[0.0, 0.0, 0.3]])
    assert np.rad2deg(got.slope_rad[0]) == pytest.approx(degrees, abs=3e-3)


@pytest.mark.parametrize(
    ("rise_in_run", "label"),
    [
        (1 / 48, Label.STEPPABLE),
        (1 / 20, Label.STEPPABLE),
        (1 / 12, Label.STEPPABLE),
        (1 / 4, Label.MARGINAL),
        (1 / 2, Label.UNSTEPPABLE),
    ],
)
def test_code_ramps_meet_a_ten_degree_limit_and_steeper_ones_do_not(rise_in_run, label):
    """ADA Standards 405.2: running slope not steeper than 1:12 (4.76 degrees); 405.3: cross slope 1:48 (1.19)."""
    got = judge_placements(build_ground(Layer(plane(rise_in_run, 0.0)), **SMALL), FOOT, [[0.0, 0.0, 0.0]])
    assert got.label[0] == label


@pytest.mark.parametrize(
    ("roughness_mm", "wave_mm", "total_mm"),
    [(10.0, 3.0, 10.44), (10.0, 5.0, 11.18), (10.0, 10.0, 14.14), (10.0, 20.0, 22.36)],
)
def test_roughness_adds_in_quadrature(roughness_mm, wave_mm, total_mm):
    """Independent departures add as variances (root sum of squares, JCGM 100:2008, 5.1.2)."""
    half = wave_mm / 1000.0 * np.where(np.indices((80, 80)).sum(axis=0) % 2 == 0, 1.0, -1.0)
    layer = Layer(
        cells(half, x0_m=-0.4, y0_m=-0.4), roughness_m=roughness_mm / 1000.0, gradient=lambda x, y: (0.0, 0.0)
    )
    got = judge_placements(build_ground(layer, **SMALL), biped(drop_m=0.1), [[0.0, 0.0, 0.0]])
    assert got.roughness_m[0] * 1000 == pytest.approx(total_mm, rel=2e-3)


@pytest.mark.parametrize("amplitude_mm", [2.0, 5.0, 10.0])
@pytest.mark.parametrize("periods", [1, 5])
def test_a_sine_has_rq_of_its_amplitude_over_root_two(amplitude_mm, periods):
    """Rq = A / sqrt(2) over whole periods (root mean square deviation of ISO 4287 and ISO 21920-2; from memory).

    Roughness is taken about the least-squares plane, which takes part of a few periods: for s = sin(2 pi k u), u in
    [-1/2, 1/2], int s^2 = 1/2, |int u s| = 1 / (2 pi k), int u^2 = 1 / 12, so that 12 / (2 pi k)^2 goes.
    """
    wave = lambda x, y: amplitude_mm / 1000.0 * np.sin(2 * np.pi * periods * y / 0.13)  # noqa: E731
    ground = build_ground(Layer(wave, patch_id=-1), x_m=(-0.4, 0.4), y_m=(-0.2, 0.2), cell_m=0.0025)
    got = judge_placements(ground, biped(drop_m=0.1), [[0.0, 0.0, 0.0]])
    wanted = amplitude_mm * np.sqrt(0.5 - 12.0 / (2.0 * np.pi * periods) ** 2)
    assert got.roughness_m[0] * 1000 == pytest.approx(wanted, rel=5e-3)
