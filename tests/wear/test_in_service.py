"""Cords in service: jumps so far and left, damage, cap, riders outside the range."""

import csv
import shutil
from pathlib import Path

from cordlab import read_campaign
from cordlab.wear.service_life import cords_in_service, jumps_before, out_of_use
from tests.campaign.test_jump_log import LOG, logged

LISTED = {"J1": 0, "J2": 0, "J3": 0}


def test_jumps_so_far_and_left(tmp_path):
    log = logged(tmp_path, LOG)
    assert [entry.line for entry in log] == [4, 2, 3, 5, 6]  # by date
    status = {one.cord: one for one in cords_in_service(log, retire_at=200, next_retest=260, before={"J1": 9})}
    assert (status["J1"].jumps, status["J1"].before_retirement, status["J1"].before_retest) == (64, 136, 196)
    assert status["J1"].may_jump
    assert status["J3"].may_jump


def test_damage_retires_at_once_and_says_where(tmp_path):
    (status,) = (one for one in cords_in_service(logged(tmp_path, LOG), retire_at=200, before={}) if one.cord == "J2")
    assert status.retired
    assert not status.may_jump
    assert status.before_retirement == 0
    assert status.reasons == ("retired: nick in the sheath (jumps.csv, row 5, 2024-05-03)",)


def test_count_cap_and_riders(tmp_path):
    log = logged(tmp_path, LOG)
    status = {
        one.cord: one for one in cords_in_service(log, retire_at=500, greatest_jumps=100, before=LISTED, rated=(50, 90))
    }
    assert status["J3"].retired
    assert "20 jumps beyond" in status["J3"].cautions[0]
    assert "outside the rated 50.0 to 90.0 kg (jumps.csv, row 3)" in status["J2"].cautions[0]


def test_without_a_retirement_count_no_cord_may_jump(tmp_path):
    log = logged(tmp_path, LOG)
    assert not any(one.may_jump for one in cords_in_service(log, retire_at=None, greatest_jumps=500, before={}))


def test_a_cord_in_no_table_is_named_and_counted_from_0(tmp_path):
    statuses = cords_in_service(logged(tmp_path, LOG), retire_at=500, before={"J1": 0, "J2": 0})
    cautions = {one.cord: one.cautions for one in statuses}
    assert cautions["J1"] == ()
    assert "in no table of the campaign" in cautions["J3"][0]


def test_a_barred_cord_may_not_jump_whatever_it_counts(tmp_path):
    log = logged(tmp_path, LOG)
    (status,) = (
        one
        for one in cords_in_service(log, retire_at=500, before=LISTED, barred={"J1": "pulled to break (breaks.csv)"})
        if one.cord == "J1"
    )
    assert (status.retired, status.may_jump, status.before_retirement) == (True, False, 0)
    assert status.reasons == ("retired: pulled to break (breaks.csv)",)


def test_a_campaign_counts_its_own_drops_and_bars_what_it_broke_or_left_out(root, tmp_path):
    folder = Path(shutil.copytree(root / "data-demo" / "first-batch", tmp_path / "campaign"))
    with (folder / "drops.csv").open(encoding="utf-8") as file:
        last = max(int(row["jumps"]) for row in csv.DictReader(file) if row["cord"] == "C01")
    (folder / "decisions.csv").write_text("kind,drop,cord,reason,by\nleave out,,C10,cut,A. B\n", encoding="utf-8")
    campaign = read_campaign(folder)
    assert jumps_before(campaign)["C01"] == last + 1
    barred = out_of_use(campaign, {"C04": "stiffness"})
    assert barred["C10"] == "left out of the campaign by hand: cut"
    assert barred["C04"] == "unlike its batch (stiffness)"
    assert barred["C22"] == "pulled to break (breaks.csv)"
    assert "C01" not in barred
