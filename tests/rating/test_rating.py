"""The rated range: what ends it, what forbids it, and that a changed site answers as a new forecast would."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.limits.validation import HeldBack, Validation
from cordlab.quantities import QUANTITIES
from cordlab.rating.rate import in_both, rate, rating_masses, re_rate
from cordlab.statistics.propagation import DECISIONS
from cordlab.units import Measured
from tests.limits.test_limits import CURVE, EXACT, MASSES, UNSURE, invented, returning, scattered

CRITERIA = SimpleNamespace(
    least_clearance=4.0, greatest_g=2.8, least_strength_factor=5.0, greatest_stretch_ratio=None,
    design_breaking_load=None,
)  # fmt: skip
LOT = Measured(14_100.0)


def criteria(**changes):
    return SimpleNamespace(**{**vars(CRITERIA), **changes})


@pytest.fixture(scope="module")
def stiffness():
    return drop_stiffness(CURVE, invented(scattered(20, 6, 0.02, 0.004)), rig=EXACT)


@pytest.fixture(scope="module")
def forecast(stiffness):
    return forecast_drop(stiffness, site=UNSURE, masses=rating_masses(stiffness, UNSURE), seed=1, draws=20_000)


@pytest.fixture(scope="module")
def rating(forecast):
    return rate(forecast, criteria=CRITERIA, breaking_load=LOT)


def test_the_ends_are_where_the_limits_cross_the_criteria(forecast, rating):
    assert rating.rated
    assert rating.governed_by == {"light": "g", "heavy": "clearance"}
    assert 33.0 < rating.lightest < rating.heaviest < 97.0
    assert np.interp(rating.heaviest, forecast.masses, forecast.limit("clearance")) == pytest.approx(4.0, abs=0.06)
    assert np.interp(rating.lightest, forecast.masses, forecast.limit("g")) == pytest.approx(2.8, abs=0.02)
    assert "guarded acceptance" in rating.rule
    assert "another cord" in rating.promise
    assert rating.dof == pytest.approx(5.3, abs=1.0)  # six cords, and a little from their drops
    assert rating.summary().startswith(f"rated for rider masses of {rating.lightest:.1f} to {rating.heaviest:.1f} kg")


def test_it_is_the_limit_that_must_meet_a_criterion_and_not_the_estimate(forecast, rating):
    by_estimate = np.interp(4.0, forecast.estimate("clearance")[::-1], forecast.masses[::-1])
    assert rating.heaviest < by_estimate - 2.0
    between = next(row for row in rating.predictions if rating.heaviest < row["mass"] < by_estimate - 1)
    assert between["decision"]["clearance"] == "simple acceptance only"
    assert {d for row in rating.predictions for d in row["decision"].values()} <= set(DECISIONS)


def test_the_table_has_every_tested_mass_and_every_kilogram_and_no_number_outside(rating):
    rows = {row["mass"]: row for row in rating.predictions}
    assert set(rows) >= {*MASSES, *(MASSES - 3.0), *np.arange(33.0, 101.0)}
    for mass in (98.0, 100.0):  # with 3 kg of gear more was hung than was tested
        assert rows[mass]["lowest_point"] is None
        assert rows[mass]["clearance_limit"] is None
        assert not rows[mass]["rated"]
        assert rows[mass]["reason"].startswith("outside the tested range: 10")
    inside = [row for mass, row in rows.items() if mass <= 97.0]
    assert all(row["rated"] == (rating.lightest <= row["mass"] <= rating.heaviest) for row in inside)
    assert all(row["reason"] for row in rows.values() if not row["rated"])
    assert all(row["clearance_limit"] < row["clearance"] and row["g_limit"] > row["g"] for row in inside)
    assert all(row["strength_factor"] == pytest.approx(LOT.value / row["peak_load"], rel=1e-3) for row in inside)
    assert all(0.0 <= p <= 1.0 for row in inside for p in row["violation"].values())


def test_the_risk_of_violation_agrees_with_the_limit_and_with_a_forecast_for_that_mass(stiffness, forecast, rating):
    """JCGM 106:2012, 8.3.2: where the limit at probability p meets a criterion, it is violated with 1 − p at most."""
    rows = [row for row in rating.predictions if row["mass"] <= 97.0]
    risk = 1 - forecast.probability
    for row in rows:
        for name, met in (("clearance", row["clearance_limit"] >= 4.0), ("g", row["g_limit"] <= CRITERIA.greatest_g)):
            assert row["violation"][name] <= risk if met else row["violation"][name] >= risk * 0.99
    between = [row for row in rows if row["mass"] not in forecast.masses][::6]  # a forecast there, with the same draws
    masses = np.array([row["mass"] for row in between])
    there = forecast_drop(stiffness, site=UNSURE, masses=masses, seed=1, draws=20_000)
    for name, bound, error in (("clearance", 4.0, 0.03), ("g", CRITERIA.greatest_g, 0.003)):
        risks = [row["violation"][name] for row in between]
        assert risks == pytest.approx(QUANTITIES[name].worse(there.draws[name], bound).mean(axis=-1), abs=0.01)
        assert [row[f"{name}_limit"] for row in between] == pytest.approx(there.limit(name), abs=error)


def test_the_tested_masses_end_the_range_where_nothing_else_does(forecast):
    rating = rate(
        forecast, criteria=criteria(least_clearance=-5.0, greatest_g=9.0, least_strength_factor=1.0), breaking_load=LOT
    )
    assert (rating.lightest, rating.heaviest) == (33.0, 97.0)
    assert rating.governed_by == {"light": "lightest tested mass", "heavy": "heaviest tested mass"}


def test_a_gap_between_tested_masses_splits_the_range_and_the_wider_part_is_the_answer():
    """36, 52, 84, 92, 100 kg: from 52 to 84 kg is more than half again."""
    masses = np.array([36.0, 52.0, 84.0, 92.0, 100.0])
    easy = criteria(least_clearance=-50.0, greatest_g=9.0, least_strength_factor=1.0)

    def rated(checked=()):
        stiffness = drop_stiffness(
            CURVE, invented(scattered(20, 6, 0.02, 0.004), masses=masses), rig=EXACT, checked=checked
        )
        forecast = forecast_drop(stiffness, site=EXACT, masses=rating_masses(stiffness, EXACT), seed=1, draws=4_000)
        return rate(forecast, criteria=easy, breaking_load=LOT)

    gear, rating = EXACT.gear_mass.value, rated()
    assert rating.ends == (pytest.approx(36.0 - gear), pytest.approx(52.0 - gear))
    assert rating.governed_by == {"light": "lightest tested mass", "heavy": "gap between tested masses"}
    assert "52 and 84 kg are more than 1.5 times apart" in rating.reasons[0]
    assert f"{84 - gear:.1f} to {100 - gear:.1f} kg meets the criteria too" in rating.reasons[1]
    assert not any(row["rated"] for row in rating.predictions if 52 - gear + 0.1 < row["mass"] < 84 - gear - 0.1)
    assert rated(checked=(66.0,)).ends == (pytest.approx(36.0 - gear), pytest.approx(100.0 - gear))


def test_it_is_said_how_near_the_campaign_is_to_having_no_range(forecast, rating):
    """A wide range is sure to come again; the last kilogram that is rated comes again about every other time."""
    assert rating.rated_again > 0.95
    assert "far from having no range" in rating.nearness
    assert rating.nearness in rating.summary()
    assert rating.to_dict()["nearness"] == rating.nearness
    by_clearance = []
    for width in (20.0, 8.0, 3.0):  # the heavy end, by clearance alone, so far above the light end
        asked = float(np.interp(rating.lightest + width, forecast.masses, forecast.limit("clearance")))
        by_clearance.append(rate(forecast, criteria=criteria(least_clearance=asked), breaking_load=LOT))
    chances, narrow = [one.rated_again for one in by_clearance], by_clearance[-1]
    assert chances == sorted(chances, reverse=True)
    assert narrow.heaviest - narrow.lightest < 4.0
    assert 0.3 < narrow.rated_again < 0.8
    assert "near to having no range" in narrow.nearness
    assert "the 1 % is over all campaigns" in narrow.nearness
    none = narrow.refused("a reason")
    assert none.rated_again is None
    assert none.nearness == ""


def test_between_two_masses_nothing_is_rated():
    stiffness = drop_stiffness(
        CURVE, invented(scattered(20, 6, 0.02, 0.004)[:, [0, -1]], masses=MASSES[[0, -1]]), rig=EXACT
    )
    forecast = forecast_drop(stiffness, site=EXACT, masses=rating_masses(stiffness, EXACT), seed=1, draws=4_000)
    rating = rate(forecast, criteria=criteria(least_clearance=-50.0), breaking_load=LOT)
    assert not rating.rated
    assert rating.reasons[0].startswith("only two masses were dropped, 36 and 100 kg")


def test_nothing_is_rated_where_no_cord_shows_a_bend_over_the_masses():
    """Lowest points alone, three cords with 36 and 52 kg and three with 68 kg: what bends is how the cords differ."""
    everything = invented(np.repeat(scattered(8, 6, 0.01, 0.003), 2, axis=0))
    cord = np.array(everything.cord)
    light, pairs = everything.mass < 60.0, np.array([int(name[1:]) // 2 for name in cord])
    kept = np.where(pairs < 3, light, everything.mass == 68.0)
    drops = replace(everything.take(kept), cord=[f"C{pair}" for pair in pairs[kept]])
    stiffness = drop_stiffness(CURVE, drops, rig=EXACT, bent=True)
    unbent = forecast_drop(stiffness, site=UNSURE, masses=[40.0, 60.0], seed=1, draws=1000)
    answer = rate(unbent, criteria=CRITERIA, breaking_load=LOT)
    assert not answer.rated
    assert any("drop 2 cords with 3 masses each" in reason for reason in answer.reasons)


def test_a_range_in_pounds_holds_the_masses_that_end_it():
    """98.114 lb less 3 kg of gear is a rider of 41.50376 kg, and 214.05 lb one of 94.09145 kg (NIST SP 811, B.8)."""
    masses = np.array([98.114, 120.0, 150.0, 180.0, 214.05]) * 0.45359237
    stiffness = drop_stiffness(CURVE, invented(scattered(20, 6, 0.02, 0.004), masses=masses), rig=EXACT)
    site = SimpleNamespace(**vars(UNSURE) | {"gear_mass": Measured(3.0)})
    forecast = forecast_drop(stiffness, site=site, masses=rating_masses(stiffness, site), seed=1, draws=10_000)
    easy = criteria(least_clearance=-50.0, greatest_g=9.0, least_strength_factor=1.0)
    rating = rate(forecast, criteria=easy, breaking_load=LOT)
    inside = [row for row in rating.predictions if row["clearance"] is not None]
    assert [inside[0]["mass"], inside[-1]["mass"]] == pytest.approx([41.50376, 94.09145], abs=1e-5)
    assert all(row["rated"] for row in inside)
    assert (rating.lightest, rating.heaviest) == (41.504, 94.091)  # into the range
    assert rating.headline == "rated for rider masses of 41.6 to 94.0 kg"


def test_the_lightest_rider_returns_highest(stiffness):
    """The light end lies where the limit of the depth at rebound meets its criterion; without records of the energy
    nothing is rated, nor at a jump count of which none shows it."""
    recorded = returning(stiffness.drops)
    options = {"site": UNSURE, "masses": rating_masses(stiffness, UNSURE), "seed": 1, "draws": 20_000}
    forecast = forecast_drop(stiffness, recorded=recorded, **options)
    easy = criteria(least_clearance=-50.0, greatest_g=9.0, least_strength_factor=1.0, least_depth_at_rebound=1.0)
    rating = rate(forecast, criteria=easy, breaking_load=LOT)
    assert rating.governed_by == {"light": "depth at rebound", "heavy": "heaviest tested mass"}
    at_light = np.interp(rating.lightest, forecast.masses, forecast.limit("depth_at_rebound"))
    assert at_light == pytest.approx(1.0, abs=0.02)
    light = next(row for row in rating.predictions if row["mass"] == 34.0)
    assert "is below the least depth at rebound of 1 m" in light["reason"]
    assert rating.table()["depth at rebound limit [m]"].notna().any()
    assert rate(forecast, criteria=easy, breaking_load=LOT, jumps=0).rated
    worn = rate(forecast, criteria=easy, breaking_load=LOT, jumps=300)
    assert "asked for 300 jumps, but records show the energy returned of cords with 0 to 0 jumps" in worn.summary()
    unseen = rate(forecast_drop(stiffness, **options), criteria=easy, breaking_load=LOT)
    assert not unseen.rated
    assert "depth at rebound cannot be judged: it takes the energy returned" in unseen.reasons[0]
    assert "depth_at_rebound" not in unseen.predictions[5]


def test_other_criteria_can_end_it(forecast):
    easy = {"least_clearance": -50.0, "greatest_g": 9.0, "least_strength_factor": 1.0}
    stretch = rate(forecast, criteria=criteria(**easy | {"greatest_stretch_ratio": 3.2}), breaking_load=LOT)
    assert stretch.governed_by["heavy"] == "stretch ratio"
    strength = rate(forecast, criteria=criteria(**easy | {"least_strength_factor": 7.0}), breaking_load=LOT)
    assert strength.governed_by["heavy"] == "strength factor"
    anchor = {"anchor_strength": 6_000.0, "least_anchor_factor": 3.0}
    anchored = rate(forecast, criteria=criteria(**easy | anchor), breaking_load=LOT)
    assert anchored.governed_by["heavy"] == "peak load"
    load = np.interp(anchored.heaviest, forecast.masses, forecast.limit("peak_load"))
    assert load == pytest.approx(6_000.0 / 3.0, abs=10.0)
    too_heavy = next(row for row in anchored.predictions if row["mass"] > anchored.heaviest)
    assert "is above the 2000 N that the least anchor factor leaves" in too_heavy["reason"]
    both = rate(forecast, criteria=criteria(**easy | anchor | {"least_clearance": 4.0}), breaking_load=LOT)
    assert both.heaviest <= anchored.heaviest
    uncertain = rate(
        forecast, criteria=criteria(**easy | {"least_strength_factor": 7.0}), breaking_load=Measured(14_100.0, 500.0)
    )
    assert uncertain.heaviest < strength.heaviest - 5.0
    evidence = forecast.stiffness.drops
    longer = replace(evidence, slack_length=1.2 * evidence.slack_length)  # as if no drop had stretched its cord so far
    beyond = replace(forecast, stiffness=replace(forecast.stiffness, drops=longer))
    stretched = rate(beyond, criteria=criteria(**easy), breaking_load=LOT)
    assert stretched.governed_by["heavy"] == "tested stretch"
    reason = stretched.predictions[-5]["reason"]
    assert re.fullmatch(r"stretch ratio [\d.]+ is beyond the [\d.]+ that was tested", reason)


def test_the_lower_of_design_load_and_lowest_break_counts_and_a_break_below_is_said(forecast):
    """A cord broke at 14.1 kN though the maker says 25 kN: no rider is rated on strength that the lot does not have."""
    easy = {"least_clearance": -50.0, "greatest_g": 9.0, "least_strength_factor": 7.0}

    def rated(design, lowest_break):
        return rate(forecast, criteria=criteria(**easy, design_breaking_load=design), breaking_load=lowest_break)

    by_break, by_design = rated(None, LOT), rated(Measured(25_000.0), None)
    both = rated(Measured(25_000.0), LOT)
    assert both.heaviest == by_break.heaviest < by_design.heaviest
    assert both.predictions == by_break.predictions
    assert "broke at 14.10 kN, below the design breaking load of 25.00 kN" in both.reasons[0]
    assert not by_break.reasons
    weak = rated(Measured(25_000.0), Measured(2_000.0))
    assert not weak.rated
    assert "broke at 2.00 kN" in weak.reasons[1]
    lower_design = rated(Measured(13_000.0), LOT)
    assert lower_design.heaviest < by_break.heaviest
    assert not lower_design.reasons
    unsure = Measured(14_500.0, 800.0)  # often below the break: never better than either alone
    assert rated(unsure, LOT).heaviest <= rated(unsure, None).heaviest < by_break.heaviest


def test_no_mass_is_rated_where_no_limit_meets_the_criteria(forecast):
    rating = rate(forecast, criteria=criteria(least_clearance=30.0), breaking_load=LOT)
    assert not rating.rated
    assert rating.lightest is None
    assert rating.reasons == ("no tested mass meets every criterion: clearance, g",)
    assert rating.summary().startswith("NOT RATED")


def test_every_reason_for_rating_nothing_is_given_at_once(forecast):
    off = tuple(HeldBack(f"D{k}", "C0", 68.0, 35.0, 30.0, 29.0, 31.0, "this cord") for k in range(4))
    unsaid = {"temperature": (-5.0, 15.0), "centre_of_mass_fall": None}
    winter = replace(forecast, site=SimpleNamespace(**vars(UNSURE) | unsaid))
    rating = rate(winter, criteria=CRITERIA, validation=Validation(off, 0.98, left_out=False), jumps=300)
    assert not rating.rated
    text = "\n".join(rating.reasons)
    for part in (
        "[site] centre_of_mass_fall is left out",
        "asked for 300 jumps",
        "asked for use at -5 to 15 °C, but drops were made at 15 to 15 °C",
        "validation failed: 4 of 4 drops held back outside their 98 % limits",
        "(probability of that many or more: 1.6e-07)",  # 0.02⁴
        "no breaking load",
    ):
        assert part in text
    assert all(not row["rated"] for row in rating.predictions)
    assert rating.predictions[10]["clearance_limit"] is not None  # the limits stand; only the rating is withheld


def test_only_the_tested_temperatures_are_rated_where_the_use_is_asked(forecast):
    """Fail closed: use beyond the drops' temperatures on either side, or drops without any, rate nothing."""

    def asked(use, *, tested=(10.0, 20.0)):
        seen = forecast.stiffness.drops
        spread = replace(seen, temperature=np.linspace(*tested, len(seen)))
        site = SimpleNamespace(**{**vars(UNSURE), "temperature": use})
        there = replace(forecast, site=site, stiffness=replace(forecast.stiffness, drops=spread))
        return rate(there, criteria=CRITERIA, breaking_load=LOT)

    assert asked((12.0, 20.0)).rated
    assert asked(None).rated
    for use in ((9.9, 15.0), (15.0, 20.1), (0.0, 40.0)):
        rating = asked(use)
        assert not rating.rated
        assert rating.reasons[0].endswith("but drops were made at 10 to 20 °C")
    assert asked((15.0, 15.0), tested=(np.nan, np.nan)).reasons[0].endswith("no drop has its temperature recorded")


def test_a_changed_site_is_answered_as_a_new_forecast_would(stiffness, forecast, rating):
    """Same draws, so the answer is the same to rounding: nothing about the lowest point depends on height or reach."""
    higher = SimpleNamespace(
        **{**vars(UNSURE), "tie_height": Measured(46.0, 0.1), "reach_below_attachment": Measured(2.0, 0.1)}
    )
    new = forecast_drop(stiffness, site=higher, masses=forecast.masses, seed=1, draws=20_000)
    quick = re_rate(forecast, criteria=CRITERIA, breaking_load=LOT, tie_height=46.0, reach=2.0)
    direct = rate(new, criteria=CRITERIA, breaking_load=LOT)
    assert (quick.lightest, quick.heaviest) == (direct.lightest, direct.heaviest)
    for ours, theirs in zip(quick.predictions, direct.predictions, strict=True):
        assert ours["clearance_limit"] == pytest.approx(theirs["clearance_limit"], abs=1e-9)
    assert quick.heaviest > rating.heaviest + 5


def test_a_stricter_probability_narrows_the_range(stiffness, forecast, rating):
    wide = re_rate(forecast, criteria=CRITERIA, breaking_load=LOT, probability=0.9)
    narrow = re_rate(forecast, criteria=CRITERIA, breaking_load=LOT, probability=0.999)
    assert wide.lightest < narrow.lightest < narrow.heaviest < wide.heaviest
    tolerance = forecast_drop(stiffness, site=UNSURE, masses=forecast.masses, limit="tolerance", seed=1, draws=4_000)
    rated = rate(tolerance, criteria=CRITERIA, breaking_load=LOT)
    assert rated.heaviest < rating.heaviest
    assert "with 95 % confidence" in rated.promise
    with pytest.raises(ValueError, match="needs a new forecast"):
        re_rate(tolerance, criteria=CRITERIA, breaking_load=LOT, probability=0.9)


def test_all_criteria_together_are_one_probability_of_the_same_draws(forecast):
    """A stiff cord pulls hard and a soft one comes low: where both limits just meet, the next drop breaks either."""
    k = int(np.argmin(np.abs(forecast.masses - 65.0)))
    clearance, g = forecast.draws["clearance"][k], forecast.draws["g"][k]
    tight = criteria(
        least_clearance=float(forecast.limit("clearance")[k]), greatest_g=float(forecast.limit("g")[k]),
        least_strength_factor=1.0,
    )  # fmt: skip
    together, each = (rate(replace(forecast, together=one), criteria=tight, breaking_load=LOT) for one in (True, False))
    assert each.rated
    assert not together.rated
    assert together.reasons == ("no tested mass meets every criterion: clearance, g",)
    for rating in (together, each):
        row = next(row for row in rating.predictions if row["mass"] == forecast.masses[k])
        share = np.mean((clearance < tight.least_clearance) | (g > tight.greatest_g))
        assert row["violation"]["any criterion"] == pytest.approx(share, abs=1e-9)
        assert 0.015 < share <= 0.02
    assert "all criteria together" in together.rule
    assert "at most 1 %" in together.rule
    assert "each criterion by itself" in each.rule
    row = next(row for row in together.predictions if row["mass"] == forecast.masses[k])
    assert row["reason"].startswith("the next drop breaks one criterion or another with ")
    assert row["decision"]["any criterion"] == "simple acceptance only"


def test_the_end_is_where_all_criteria_together_are_just_met(forecast):
    """Never wider than each by itself, and it names the criterion that the drops there break most often."""
    k = int(np.argmin(np.abs(forecast.masses - 65.0)))
    bounds = forecast.limit("clearance")[k + 1], forecast.limit("g")[k]
    near = criteria(least_clearance=bounds[0], greatest_g=bounds[1], least_strength_factor=1.0)
    together, each = (rate(replace(forecast, together=one), criteria=near, breaking_load=LOT) for one in (True, False))
    assert each.lightest < together.lightest < together.heaviest < each.heaviest
    assert together.governed_by == each.governed_by == {"light": "g", "heavy": "clearance"}
    for row in together.predictions:
        if row["rated"]:
            assert max(row["violation"].values()) == row["violation"]["any criterion"] <= 0.01 + 1e-9
    only = criteria(least_clearance=4.0, greatest_g=9.0)
    ends = [rate(replace(forecast, together=one), criteria=only, breaking_load=LOT).heaviest for one in (True, False)]
    assert ends[0] == pytest.approx(ends[1], abs=0.11)


def test_with_and_without_a_cord_the_masses_in_both_are_the_answer(forecast, rating):
    other = rate(forecast, criteria=criteria(least_clearance=6.0, greatest_g=2.7), breaking_load=LOT)
    both = in_both(rating, other)
    assert (both.lightest, both.heaviest) == (other.lightest, other.heaviest)
    assert "belong to the batch" in both.reasons[-1]
    inside = [row["mass"] for row in both.predictions if row["rated"]]
    assert both.lightest <= min(inside)
    assert max(inside) <= both.heaviest
    nothing = in_both(rating, rate(forecast, criteria=criteria(least_clearance=30.0), breaking_load=LOT))
    assert not nothing.rated
    assert "no tested mass meets every criterion" in nothing.reasons[-1]
    light = replace(other, lightest=rating.heaviest + 1, heaviest=rating.heaviest + 2)
    assert in_both(rating, light).reasons[-1].startswith("no mass is rated both with and without")
