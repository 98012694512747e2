"""The jump log as it is read: units, blanks, every problem at once."""

import pytest

from cordlab.campaign.campaign import read_jump_log
from cordlab.campaign.files import CampaignError

LOG = """cord,date,jumps,lightest rider [kg],heaviest rider [kg],damage
J1,2024-05-02,30,52,80,
J2,2024-05-02,12,60,91,
J1,2024-05-01,25,55,79,
J2,2024-05-03,4,,,nick in the sheath
J3,2024-05-03,120,50,70,
"""


def logged(tmp_path, content):
    (tmp_path / "jumps.csv").write_text(content, encoding="utf-8")
    return read_jump_log(tmp_path)


def test_pounds_and_semicolons(tmp_path):
    log = logged(tmp_path, "cord;date;jumps;heaviest rider [lb];damage\nJ1;2024-05-01;3;200,5;\n")
    assert log[0].heaviest == pytest.approx(200.5 * 0.45359237)
    assert log[0].lightest is None


def test_a_campaign_without_a_log_has_none(tmp_path):
    assert read_jump_log(tmp_path) == ()


def test_problems_of_the_log_come_all_at_once(tmp_path):
    bad = LOG.splitlines()[0] + "\nJ1,02.05.2024,-3,80,52,none\n,2024-05-01,1,,,\n"
    with pytest.raises(CampaignError) as raised:
        logged(tmp_path, bad)
    said = "\n".join(raised.value.problems)
    for part in (
        "jumps.csv, row 2, column 'date': '02.05.2024' is not a date",
        "jumps.csv, row 2, column 'jumps': '-3' is not a whole number",
        "jumps.csv, row 2, column 'heaviest rider [kg]': 52 kg is less than the lightest, 80 kg",
        "jumps.csv, row 2, column 'damage': 'none' would be read as damage",
        "jumps.csv, row 3, column 'cord': is blank",
    ):
        assert part in said
