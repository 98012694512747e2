"""A cord that is left out for what it is stays in the batch; a fault of the measurement does not."""

import numpy as np
import pytest

from cordlab import Analysis, CampaignError, read_campaign
from cordlab.campaign.decisions import Choice, record_decision
from tests.lowest_worlds import Cords, Row, write

HEAD = "kind,cord,cause,reason\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Five cords of which the first is 4 % softer than the others."""
    rng, plan = (
        np.random.default_rng(3),
        [Row(c, m, k, 15.0) for c in range(5) for k, m in enumerate((40, 60, 80, 100))],
    )
    world = Cords(cord_sd=0.004, per_kelvin=0.0)
    soft = np.array([-0.04, 0.0, 0.0, 0.0, 0.0])
    object.__setattr__(world, "draw", lambda rng, size: (soft[:size] + rng.normal(0, 0.004, size), np.zeros(size)))
    return write(tmp_path_factory.mktemp("soft") / "campaign", plan, world, rng)


def rated(folder, rows):
    (folder / "decisions.csv").write_text(HEAD + rows if rows else "", encoding="utf-8")
    if not rows:
        (folder / "decisions.csv").unlink()
    analysis = Analysis(read_campaign(folder))
    return analysis, analysis.rating


def test_a_property_of_a_cord_rates_what_holds_with_and_without_it(folder):
    _, noted = rated(folder, "")
    _, measurement = rated(folder, "leave out,C01,measurement,hung on another hook\n")
    assert measurement.heaviest > noted.heaviest + 2
    for cause in ("cord", ""):  # nothing said: as for a cord
        analysis, rating = rated(folder, f"leave out,C01,{cause},softer than the others\n")
        assert rating.heaviest == min(noted.heaviest, measurement.heaviest)
        assert rating.lightest == max(noted.lightest, measurement.lightest)
        assert "belong to the batch" in rating.reasons[-1]
        assert "for what the cord is" in analysis.by_hand.choices[0][0]
        assert not analysis.by_hand.widens
        assert analysis.campaign.with_every_cord() == analysis.campaign.as_noted()


def test_a_cause_is_one_of_two_words_and_stands_with_what_is_left_out(folder):
    (folder / "decisions.csv").write_text(HEAD + "leave out,C01,wind,x\n", encoding="utf-8")
    with pytest.raises(CampaignError, match="'wind' is none of measurement, cord"):
        read_campaign(folder)
    (folder / "decisions.csv").write_text("kind,cord,cause,finding,reason\nsettle,,cord,gear,x\n", encoding="utf-8")
    with pytest.raises(CampaignError, match="only a row 'leave out' has a cause"):
        read_campaign(folder)
    (folder / "decisions.csv").unlink()
    campaign = record_decision(folder, Choice("the tape slipped", cord="C02", cause="measurement"))
    assert campaign.by_hand.left_out[0].cause == "measurement"
    assert campaign.with_every_cord() is campaign
    (folder / "decisions.csv").unlink()
