"""The drone check: figures of published examples, each standard's own rule, and what is said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from sitetie.core import Control
from sitetie.core.accuracy_statements import nssda_horizontal
from sitetie.core.errors import InputError, SettingsError
from sitetie.core.positional_accuracy import positional_accuracy

#: ASPRS Positional Accuracy Standards, edition 1 (2014), annex D, table D.1: five check points in
#: metres, as measured in the product and as surveyed. Written from memory; the printed results
#: below follow from these numbers.
ANNEX_D = (
    ("GCP1", (359584.394, 5142449.934, 477.127), (359584.534, 5142450.004, 477.198)),
    ("GCP2", (359872.190, 5147939.180, 412.406), (359872.290, 5147939.280, 412.396)),
    ("GCP3", (359893.089, 5136979.824, 487.292), (359893.072, 5136979.894, 487.190)),
    ("GCP4", (359927.194, 5151084.129, 393.591), (359927.264, 5151083.979, 393.691)),
    ("GCP5", (372737.074, 5151675.999, 451.305), (372736.944, 5151675.879, 451.218)),
)


def errors_as_points(errors, sigma_h=None, sigma_v=None):
    """Measured and control points with the given errors (n, 3); NaN for what there is not."""
    draw = np.random.default_rng(1)
    measured, control = [], []
    for i, error in enumerate(np.asarray(errors, dtype=float)):
        place = [float(v) for v in draw.uniform(0.0, 1000.0, 3)]
        moved = [None if math.isnan(e) else p + float(e) for p, e in zip(place, error)]
        control.append(Control(f"C{i:02d}", *place, sigma_h=sigma_h, sigma_v=sigma_v))
        measured.append(Control(f"C{i:02d}", *moved))
    return measured, control


def test_published_example_of_asprs_annex_d():
    found = positional_accuracy([Control(name, *product) for name, product, _ in ANNEX_D],
                                [Control(name, *survey) for name, _, survey in ANNEX_D])
    for axis, mean, deviation, rmse in ((found.east, -0.033, 0.108, 0.102),
                                        (found.north, 0.006, 0.119, 0.106),
                                        (found.up, 0.006, 0.091, 0.081)):
        assert axis.count == 5
        assert axis.mean == pytest.approx(mean, abs=0.0005)
        assert axis.deviation == pytest.approx(deviation, abs=0.0005)
        assert axis.rmse == pytest.approx(rmse, abs=0.0005)
    assert found.rmse_h == pytest.approx(0.147, abs=0.0005)
    assert found.nssda.horizontal == pytest.approx(0.255, abs=0.0005)
    assert found.nssda.vertical == pytest.approx(0.160, abs=0.0005)
    assert found.asprs.horizontal == found.rmse_h  # no survey error given
    assert any("asks for at least 30" in words for words in found.asprs.reservations)
    assert found.asprs.text.startswith("Computed as in ASPRS")
    assert found.nssda.text.startswith("Computed 0.2548 m horizontal")
    assert any("at least 20" in words for words in found.nssda.reservations)
    assert any("not given" in words for words in found.asprs.reservations)


def test_factors_of_the_nssda_are_quantiles():
    """Appendix 3-A: roots of the 95 % quantiles of chi-square with two degrees and one."""
    plane, level = math.sqrt(stats.chi2.ppf(0.95, 2)), math.sqrt(stats.chi2.ppf(0.95, 1))
    assert nssda_horizontal(1.0, 1.0)[0] == pytest.approx(plane, abs=1e-4)
    assert nssda_horizontal(1.0, 0.8)[0] == pytest.approx(plane * 0.9, abs=1e-4)
    measured, control = errors_as_points([[math.nan] * 2 + [e] for e in (-1.0, 1.0)])
    for point in range(2):  # no positions: vertical only
        measured[point] = Control(measured[point].id, None, None, measured[point].elevation)
    assert positional_accuracy(measured, control).nssda.vertical == pytest.approx(level, abs=1e-4)


@pytest.mark.parametrize("ratio", [1.0, 0.9, 0.75, 0.6])
def test_the_nssdas_approximation_holds_where_it_is_given(ratio):
    """It covers 95 % of normal errors with axes alike, and still 93 % at its least ratio."""
    draw = np.random.default_rng(7).standard_normal((400_000, 2)) * (1.0, ratio)
    radius, _ = nssda_horizontal(1.0, ratio)
    assert np.mean(np.hypot(*draw.T) <= radius) == pytest.approx(
        {1.0: 0.950, 0.9: 0.950, 0.75: 0.945, 0.6: 0.933}[ratio], abs=0.003)


def test_no_figure_below_the_least_ratio():
    turns = np.arange(24) * math.pi / 12.0
    errors = np.stack([0.10 * np.cos(turns), 0.05 * np.sin(turns), 0.0 * turns], axis=1)
    found = positional_accuracy(*errors_as_points(errors))
    assert found.nssda.horizontal is None
    assert any("0.50 of the larger" in words and "0.6" in words
               for words in found.nssda.reservations)
    assert found.nssda.vertical == 0.0
    assert nssda_horizontal(0.05999, 0.1)[0] is None
    assert nssda_horizontal(0.06, 0.1)[0] == pytest.approx(2.4477 * 0.08)


def test_asprs_includes_the_error_of_the_survey():
    """RMSE_H² = RMSE_E² + RMSE_N² + survey², radial; vertical and three-dimensional alike."""
    errors = [[0.03, 0.0, 0.04], [-0.03, 0.0, -0.04], [0.0, 0.03, 0.04], [0.0, -0.03, -0.04]] * 8
    found = positional_accuracy(*errors_as_points(errors, sigma_h=0.010, sigma_v=0.012))
    radial = math.sqrt(0.03**2 + 2.0 * 0.010**2)
    vertical = math.hypot(0.04, 0.012)
    assert found.asprs.horizontal == pytest.approx(radial)
    assert found.asprs.vertical == pytest.approx(vertical)
    assert found.asprs.three_d == pytest.approx(math.hypot(radial, vertical))
    assert found.asprs.reservations == ()
    assert "is included" in found.asprs.text
    assert "Edition 2" in found.asprs.text
    # NSSDA: the survey's error is no part of it, and 32 points are enough.
    assert found.nssda.horizontal == pytest.approx(1.7308 * 0.03)
    assert found.nssda.vertical == pytest.approx(1.96 * 0.04)
    assert found.nssda.reservations == ()
    assert found.nssda.text.startswith("Tested 0.0519 m horizontal accuracy at 95 % confidence")


def test_a_survey_as_bad_as_the_product_is_said():
    errors = [[0.01, 0.0, 0.01], [-0.01, 0.0, -0.01], [0.0, 0.01, 0.0], [0.0, -0.01, 0.0]] * 8
    found = positional_accuracy(*errors_as_points(errors), sigma_h=0.02, sigma_v=0.001)
    assert any("horizontal error of the control survey is 283 %" in words
               for words in found.asprs.reservations)


def test_units():
    """In US survey feet with elevations in metres; standard deviations are always metres."""
    foot = 1200.0 / 3937.0
    errors = np.array([[0.1, 0.0, 0.04], [-0.1, 0.0, -0.04], [0.0, 0.1, 0.04],
                       [0.0, -0.1, -0.04]] * 8)
    found = positional_accuracy(*errors_as_points(errors), site_unit="us-ft", elevation_unit="m",
                                sigma_h=0.01, sigma_v=0.01)
    radial = math.sqrt(0.1**2 + 2.0 * (0.01 / foot) ** 2)
    assert found.asprs.horizontal == pytest.approx(radial)
    assert found.asprs.three_d == pytest.approx(math.hypot(radial * foot, math.hypot(0.04, 0.01)))
    assert "US survey feet" in found.asprs.text
    assert "0.0784 m vertical" in found.nssda.text


def test_outliers_are_named_and_stay():
    draw = np.random.default_rng(3)
    errors = draw.normal(0.0, 0.02, (25, 3))
    clean = positional_accuracy(*errors_as_points(errors))
    assert not any(p.outlying_h or p.outlying_v for p in clean.points)
    errors[4, :2] += (0.3, 0.0)
    errors[9, 2] -= 0.4
    found = positional_accuracy(*errors_as_points(errors))
    assert [p.id for p in found.points if p.outlying_h] == ["C04"]
    assert [p.id for p in found.points if p.outlying_v] == ["C09"]
    assert found.east.count == 25
    assert found.up.rmse > 0.07
    assert any("C04 lies far from the others horizontally" in w for w in found.warnings)
    assert any("Nothing was left out" in w for w in found.warnings)


def test_false_alarms_are_rare():
    draw = np.random.default_rng(5)
    flags = 0
    for _ in range(200):
        found = positional_accuracy(*errors_as_points(draw.normal(0.0, 0.02, (30, 3))))
        flags += sum(p.outlying_h + p.outlying_v for p in found.points)
    assert flags < 0.01 * 200 * 30 * 2


def test_independence():
    errors = np.random.default_rng(2).normal(0.0, 0.02, (30, 3))
    found = positional_accuracy(*errors_as_points(errors), drove_h=["C01", "C05", "elsewhere"],
                                drove_v=["C05"])
    assert [p.id for p in found.points if p.drove_h] == ["C01", "C05"]
    assert [p.id for p in found.points if p.drove_v] == ["C05"]
    for statement in (found.asprs, found.nssda):
        assert any("C01 and C05 drove the tie" in w and "horizontally" in w
                   for w in statement.reservations)


def test_a_mean_error_is_pointed_out():
    errors = np.random.default_rng(2).normal(0.0, 0.02, (30, 3)) + (0.0, 0.0, 0.05)
    found = positional_accuracy(*errors_as_points(errors))
    assert any("mean error towards up is +5" in w for w in found.warnings)
    assert not any("towards east" in w for w in found.warnings)


def test_what_has_no_partner_is_named():
    measured, control = errors_as_points(np.full((25, 3), 0.01))
    found = positional_accuracy([*measured[:-1], Control("X9", 1.0, 2.0, 3.0)], control)
    assert found.unmatched_measured == ("X9",)
    assert found.unmatched_control == ("C24",)
    assert any("X9" in w for w in found.warnings)
    assert any("C24" in w for w in found.warnings)


def test_horizontal_alone_and_different_counts():
    errors = np.random.default_rng(2).normal(0.0, 0.02, (31, 3))
    errors[:6, 2] = math.nan
    found = positional_accuracy(*errors_as_points(errors))
    assert (found.east.count, found.up.count) == (31, 25)
    assert "31 check points horizontally and 25 vertically" in found.asprs.text
    assert any(w.startswith("25 check points vertically") for w in found.asprs.reservations)
    errors[:, 2] = math.nan
    flat = positional_accuracy(*errors_as_points(errors))
    assert flat.up is None
    assert flat.asprs.vertical is None
    assert "RMSE_V" not in flat.asprs.text


def test_bad_input_is_refused():
    measured, control = errors_as_points(np.full((3, 3), 0.01))
    with pytest.raises(InputError, match="C00: C00 is given twice among the measured"):
        positional_accuracy([*measured, measured[0]], control)
    with pytest.raises(InputError, match="same names"):
        positional_accuracy([Control("other", 1.0, 2.0)], control)
    with pytest.raises(InputError, match="something to compare"):
        positional_accuracy([Control("C00", 1.0, 2.0)], [Control("C00", None, None, 5.0)])
    with pytest.raises(SettingsError, match="sigma_h"):
        positional_accuracy(measured, control, sigma_h=-0.1)
    with pytest.raises(SettingsError, match="furlong"):
        positional_accuracy(measured, control, site_unit="furlong")
