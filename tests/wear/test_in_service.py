"""Cords in service: jumps so far and left, damage, cap, riders outside the range."""

from cordlab.wear.in_service import cords_in_service
from tests.campaign.test_jump_log import LOG, logged


def test_jumps_so_far_and_left(tmp_path):
    log = logged(tmp_path, LOG)
    assert [entry.line for entry in log] == [4, 2, 3, 5, 6]  # by date
    status = {one.cord: one for one in cords_in_service(log, retire_at=200, next_retest=260, before={"J1": 9})}
    assert (status["J1"].jumps, status["J1"].before_retirement, status["J1"].before_retest) == (64, 136, 196)
    assert status["J1"].may_jump
    assert status["J3"].may_jump


def test_damage_retires_at_once_and_says_where(tmp_path):
    (status,) = (one for one in cords_in_service(logged(tmp_path, LOG), retire_at=200) if one.cord == "J2")
    assert status.retired
    assert not status.may_jump
    assert status.before_retirement == 0
    assert status.reasons == ("retired: nick in the sheath (jumps.csv, row 5, 2024-05-03)",)


def test_count_cap_and_riders(tmp_path):
    log = logged(tmp_path, LOG)
    status = {one.cord: one for one in cords_in_service(log, retire_at=500, greatest_jumps=100, rated=(50, 90))}
    assert status["J3"].retired
    assert "20 jumps beyond" in status["J3"].cautions[0]
    assert "outside the rated 50 to 90 kg (jumps.csv, row 3)" in status["J2"].cautions[0]


def test_without_a_retirement_count_no_cord_may_jump(tmp_path):
    assert not any(one.may_jump for one in cords_in_service(logged(tmp_path, LOG), retire_at=None, greatest_jumps=500))
