"""Break tests of a lot: published lower limits, and what issues a lot or does not."""

import json
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from cordlab import figures
from cordlab.campaign.campaign import BreakEntry
from cordlab.rating.lot import Lot, fit_weibull, refused_by_lot
from cordlab.statistics.limits import tolerance_limit
from cordlab.units import Measured

# Strength of 18 specimens; lower limits of 99 % and 90 % of all with 95 % confidence as printed by STAT17, the program
# that accompanies MIL-HDBK-17 / CMH-17. As quoted in the validation report of the general R package cmstatr.
STRENGTH = np.array(
    [
        *(137.4438, 139.5395, 150.89, 141.4474, 141.8203, 151.8821, 143.9245, 132.9732, 136.6419),
        *(138.1723, 148.7668, 143.283, 143.5429, 141.7023, 137.4732, 152.338, 144.1589, 128.5218),
    ]
)
STAT17_NORMAL = {0.99: "120.336", 0.90: "129.287"}
STAT17_WEIBULL = {0.99: "109.150", 0.90: "125.441"}


def broken(cord: str, breaking_load: float, end_loops: bool | None = True) -> BreakEntry:
    return BreakEntry(cord, breaking_load, remark="", end_loops=end_loops)


INVENTED = [broken("B1", 14_100), broken("B2", 14_900), broken("B3", 15_200), broken("B4", 16_000)]  # no real cords


def lot_of(breaks, *, greatest_load_limit=2434.0, tolerance=False, **changed):
    criteria = {"least_strength_factor": 5.0, "lot_size": None, "lot_sample_share": None, "design_breaking_load": None}
    asked = SimpleNamespace(**criteria | changed)
    return Lot(breaks, criteria=asked, greatest_load_limit=greatest_load_limit, tolerance=tolerance)


# --- lower limits of strength -----------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.99, 0.90])
def test_lower_limits_of_stat17(share):
    """Normal: exact factors are 0.02 % off the handbook's approximate ones for n > 15.

    Weibull: STAT17 averages over all samples of 18, ours is conditional on this one (Lawless 1982, 4.1.2): 0.5 % apart.
    """
    normal = tolerance_limit(STRENGTH, share=share, confidence=0.95, side="lower").lower
    assert normal == pytest.approx(float(STAT17_NORMAL[share]), rel=2e-4)
    weibull = fit_weibull(STRENGTH).lower_limit(share=share, confidence=0.95)
    assert weibull == pytest.approx(float(STAT17_WEIBULL[share]), rel=0.005)


def test_weibull_factor_of_stat17_covers_with_our_fit():
    """The factor in the printed limit, V = ln(quantile/limit)·shape, used on invented samples: confidence 95 %."""
    fit = fit_weibull(STRENGTH)
    rng, n = np.random.default_rng(8), 2000
    fits = [fit_weibull(rng.weibull(1.0, 18)) for _ in range(n)]
    for share, limit in STAT17_WEIBULL.items():
        factor, true = math.log(fit.quantile(1 - share) / float(limit)) * fit.shape, -math.log(share)
        held = np.mean([one.quantile(1 - share) * math.exp(-factor / one.shape) <= true for one in fits])
        assert abs(held - 0.95) < 4 * math.sqrt(0.95 * 0.05 / n)


@pytest.mark.parametrize("n", [2, 4, 10])
def test_weibull_lower_limit_holds_as_often_as_it_says(n):
    rng = np.random.default_rng(n)
    runs, true = 300, -math.log(0.99)
    held = np.mean(
        [fit_weibull(rng.weibull(1.0, n)).lower_limit(share=0.99, confidence=0.95) <= true for _ in range(runs)]
    )
    assert abs(held - 0.95) < 4 * math.sqrt(0.95 * 0.05 / runs)


def test_weibull_fit_agrees_with_scipy():
    shape, _, scale = stats.weibull_min.fit(STRENGTH, floc=0)
    fit = fit_weibull(STRENGTH)
    assert fit.shape == pytest.approx(shape, rel=1e-4)
    assert fit.scale == pytest.approx(scale, rel=1e-5)


# --- lot --------------------------------------------------------------------------------------------------------


def test_a_lot_that_may_be_issued():
    lot = lot_of(INVENTED, lot_size=40, lot_sample_share=0.10)
    assert lot.issued
    assert lot.lowest_break == 14_100
    assert lot.strength_factor == pytest.approx(14_100 / 2434)
    assert lot.sample_needed == lot.sample == 4
    assert lot.plotting_positions[0] == pytest.approx(0.7 / 4.4)
    json.dumps(lot.to_dict())


def test_the_lowest_break_governs_and_not_the_statistics():
    """The normal and Weibull limits are far below 5 times the load, and the lot passes on its lowest break."""
    lot = lot_of(INVENTED, lot_size=40, lot_sample_share=0.10)
    assert lot.limits["normal"] < 5 * 2434 < lot.lowest_break
    assert lot.limits["Weibull"] < 5 * 2434
    # and a high mean does not save a low break
    assert not lot_of([*INVENTED, broken("B5", 12_000)], lot_size=40, lot_sample_share=0.10).issued


@pytest.mark.parametrize(
    ("breaks", "changed", "said"),
    [
        (INVENTED[:3], {"lot_size": 40, "lot_sample_share": 0.10}, "3 cords broken with their end loops, 4 needed"),
        (INVENTED, {"lot_size": 41, "lot_sample_share": 0.10}, "5 needed"),
        (INVENTED, {"lot_sample_share": 0.10}, "how many cords it has is not given"),
        ([broken("B1", 15_000, False)], {}, "1 of 1 specimens had no end loops"),
        ([broken("B1", 15_000, None)], {}, "do not say whether the end loops were in"),
        (INVENTED, {"greatest_load_limit": None}, "no rated range"),
        (INVENTED, {"greatest_load_limit": 3000.0}, "4.70, 5 asked for"),
        (INVENTED, {"design_breaking_load": Measured(12_000.0)}, "4.93, 5 asked for"),
        ([broken("B1", 15_000, False)], {}, "0 cords broken"),
    ],
)
def test_a_lot_that_may_not_be_issued_says_why(breaks, changed, said):
    lot = lot_of(breaks, **changed)
    assert not lot.issued
    assert any(said in reason for reason in lot.reasons), lot.reasons


@pytest.mark.parametrize(("loops", "said"), [(False, "had no end loops"), (None, "do not say whether")])
def test_a_break_without_loops_beside_enough_with_them_is_a_caution_and_may_still_govern(loops, said):
    enough = {"lot_size": 40, "lot_sample_share": 0.10}
    lot = lot_of([*INVENTED, broken("B5", 15_000, loops)], **enough)
    assert (lot.issued, lot.sample, lot.sample_needed) == (True, 4, 4)
    assert any(said in caution for caution in lot.cautions)
    weak = lot_of([*INVENTED, broken("B5", 12_000, loops)], **enough)
    assert (weak.issued, weak.lowest_break) == (False, 12_000)


def test_a_design_load_does_not_stand_for_the_sample():
    lot = lot_of([broken("B1", 25_000, False)], design_breaking_load=Measured(20_000.0))
    assert lot.strength_factor == pytest.approx(20_000 / 2434)
    assert not lot.issued


def test_one_break_gives_no_statistics_and_says_so():
    lot = lot_of(INVENTED[:1])
    assert (lot.issued, lot.limits) == (True, {})
    assert any("no statistical limit" in caution for caution in lot.cautions)


def test_the_figure_shows_the_breaks_and_a_straight_weibull_line():
    (lot,) = figures.breaks(lot_of(INVENTED)).axes
    assert [len(line.get_xdata()) for line in lot.lines[:2]] == [4, 99]  # breaks, Weibull line
    # on this paper a Weibull law is straight in the logarithm of the load
    assert np.ptp(np.diff(np.log(lot.lines[1].get_xdata())) / np.diff(lot.lines[1].get_ydata())) < 1e-9


def test_a_lot_shows_itself_without_running_strangers_text():
    lot = lot_of([broken("<b>x", 14_100), *INVENTED])
    assert lot.table()["breaking load [N]"].tolist() == sorted(lot.loads)
    assert "<b>x" not in lot._repr_html_()
    assert "&lt;b&gt;x" in lot._repr_html_()


def test_the_lower_of_both_laws_is_shown_with_its_law_and_none_where_it_is_negative():
    lot = lot_of(INVENTED)
    assert lot.lower_limit == min((limit, law) for law, limit in lot.limits.items())
    assert f"(0.99 of the lot with confidence 0.95) {lot.lower_limit[0] / 1000:.2f} kN if " in lot.summary()
    apart = lot_of([broken("B1", 6_000), broken("B2", 16_000), broken("B3", 20_000)])
    assert apart.limits["normal"] < 0
    assert apart.limit_in_words == "none above 0 if normal"


def test_the_load_that_governs_is_named():
    assert "14.10 kN (B1); it governs" in lot_of(INVENTED).summary()
    by_maker = lot_of(INVENTED, design_breaking_load=Measured(13_000.0)).summary()
    assert "14.10 kN (B1); the maker's design load of 13.00 kN is lower and governs" in by_maker


def test_where_limits_are_tolerance_limits_that_of_the_breaks_is_to_exceed_the_greatest_load():
    """Two breaks far apart have none above 0: the lot fails on strength, not on form, and nothing is rated."""
    apart = [broken("B1", 14_100), broken("B2", 20_000)]
    assert lot_of(apart).issued
    asked = lot_of(apart, tolerance=True)
    assert not asked.issued
    assert asked.reasons == asked.too_weak
    assert "is to exceed the greatest load, 2.43 kN" in asked.too_weak[0]
    assert not lot_of(INVENTED, tolerance=True).too_weak
    form = lot_of(INVENTED, lot_size=400, lot_sample_share=0.10)
    assert not form.issued
    assert not form.too_weak


def test_a_lot_that_fails_on_strength_rates_nothing_and_one_that_fails_in_form_stands_beside(analysis):
    few = replace(
        analysis.campaign,
        breaks=(broken("B1", 14_100), broken("B2", 20_000)),
        decision=replace(analysis.campaign.decision, limit="tolerance"),
    )
    refused = refused_by_lot(few, analysis.rating)
    assert analysis.rating.rated
    assert not refused.rated
    assert refused.reasons[-1].startswith(
        "the lot fails on strength: lower tolerance limit of the breaks: none above 0"
    )
    assert not any(row["rated"] for row in refused.predictions)
    form = replace(analysis.campaign, criteria=replace(analysis.campaign.criteria, lot_size=400))
    assert refused_by_lot(form, analysis.rating) == analysis.rating
    assert all("strength factor" not in row["violation"] for row in analysis.rating.predictions)
