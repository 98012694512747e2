"""A campaign folder: what is read, what is refused and how that is said; one thing is changed at a time."""

import os
import re
import shutil
from hashlib import sha256
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cordlab.analysis import analyse
from cordlab.batch.drop_table import Evidence
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.units import Measured
from tests.small_campaign import CORDS, MASSES, edit, edit_bytes, problems, write_small_campaign
from tests.specimen import specimen, with_steps

RECORD = "records/A1-36.csv"


@pytest.fixture
def folder(tmp_path) -> Path:
    return write_small_campaign(tmp_path / "campaign")


def test_a_sound_campaign_is_read_in_si(folder):
    campaign = read_campaign(folder)
    assert (campaign.title, campaign.batch) == ("A small invented campaign", "invented")
    assert campaign.rig.tie_height == Measured(48.0, 0.03)
    assert campaign.site.surface == "water"
    assert campaign.criteria.least_clearance == 4.0
    assert campaign.criteria.design_breaking_load is None
    assert (campaign.decision.limit, campaign.decision.probability, campaign.decision.seed) == ("prediction", 0.99, 20)
    assert (campaign.decision.filter, campaign.decision.calibration_degree) == ("cfc60", None)
    assert campaign.viscosity is None
    assert campaign.cord("A2").slack_length == Measured(10.0, 0.03)
    assert [drop.drop for drop in campaign.drops] == [f"{cord}-{mass}" for cord in CORDS for mass in MASSES]
    first = campaign.drops[0]
    noted = (first.mass, first.jumps, first.temperature, first.use)
    assert noted == (Measured(36, 0.05), 5, 18.5, "fit")
    assert [(one.cord, one.breaking_load, one.end_loops) for one in campaign.breaks] == [
        ("B1", 14100.0, True),
        ("B2", 15200.0, False),
    ]
    assert campaign.calibration["force"].reading_unit == "mV/V"
    assert campaign.calibration["distance"].quantity_unit == "m"
    assert campaign.notes == ()
    record = campaign.read_record(first)
    typed = np.loadtxt(folder / RECORD, delimiter=",", skiprows=1)
    np.testing.assert_allclose(np.column_stack([record.time, record.force, record.distance]), typed, rtol=1e-15)


def test_optional_settings(folder):
    edit(
        folder,
        "campaign.toml",
        ("seed = 20", 'seed = 20\ncalibration_degree = 2\nfilter = "off"\n[cord]\nviscosity = "5(2) N*s"'),
        ("[decision]", 'greatest_jumps = 500\nlot_sample_share = 0.1\ndesign_breaking_load = "3000 lbf"\n[decision]'),
    )
    campaign = read_campaign(folder)
    assert (campaign.decision.calibration_degree, campaign.decision.filter) == (2, "off")
    assert campaign.viscosity == Measured(5.0, 2.0)
    assert (campaign.criteria.greatest_jumps, campaign.criteria.lot_sample_share) == (500, 0.1)
    assert campaign.criteria.design_breaking_load == Measured(pytest.approx(13344.6648), 0.0)  # NIST SP 811, B.8


def test_rest_since_the_drop_before_is_kept_in_seconds_where_it_was_noted(folder):
    assert all(np.isnan(drop.rest) for drop in read_campaign(folder).drops)
    edit(folder, "drops.csv", ("use,", "rest [min],use,"), ("18.5,fit", "18.5,,fit"))
    edit_bytes(folder, "drops.csv", lambda b: re.sub(rb"18\.5,(fit|check)", rb"18.5,45,\1", b))
    first, *others = read_campaign(folder).drops
    assert np.isnan(first.rest)
    assert {drop.rest for drop in others} == {2700.0}
    edit(folder, "drops.csv", ("18.5,45,", "18.5,-45,"))
    assert problems(folder) == ["drops.csv, row 3, column 'rest [min]': -45 is less than 0"]


def test_imperial_units_give_the_same_campaign(folder, tmp_path):
    """The factors of NIST SP 811 (2008), appendix B.8, applied by hand to every column."""
    lb, ft, lbf = 0.45359237, 0.3048, 4.4482216152605

    def scale(name: str, heads: dict[str, tuple[str, float]]) -> None:
        table = pd.read_csv(folder / name)
        for metric, (other, factor) in heads.items():
            table[metric] /= factor
            table = table.rename(columns={metric: other})
        table.to_csv(folder / name, index=False)

    scale("cords.csv", {"slack length [m]": ("slack length [ft]", ft), "cord mass [kg]": ("cord mass [lb]", lb)})
    scale("drops.csv", {"mass [kg]": ("mass [lb]", lb), "lowest point [m]": ("lowest point [in]", ft / 12)})
    scale(
        "drops.csv",
        {"u(mass) [kg]": ("U(mass) k=2 [g]", 0.5e-3), "u(lowest point) [m]": ("u(lowest point) [cm]", 1e-2)},
    )
    edit(folder, "drops.csv", ("[degC]", "[degF]"))
    edit_bytes(folder, "drops.csv", lambda b: b.replace(b",18.5,", b",65.3,"))
    scale("breaks.csv", {"breaking load [kN]": ("breaking load [lbf]", lbf / 1000)})
    scale("calibration/force.csv", {"reference [N]": ("reference [lbf]", lbf)})
    scale("calibration/distance.csv", {"reference [m]": ("reference [ft]", ft)})
    for path in (folder / "records").iterdir():
        scale(f"records/{path.name}", {"time [s]": ("time [ms]", 1e-3), "distance [V]": ("distance [mV]", 1e-3)})
    edit(
        folder,
        "campaign.toml",
        ('"48.00(3) m"', f'"{48 / ft!r} ± {0.06 / ft!r} ft (k=2)"'),
        ('"4 m"', f'"{4 / ft!r} ft"'),
    )
    here, there = read_campaign(folder), read_campaign(write_small_campaign(tmp_path / "metric"))
    assert here.rig.tie_height.value == pytest.approx(48.0, rel=1e-14)
    assert here.rig.tie_height.u == pytest.approx(0.03, rel=1e-14)
    assert here.criteria.least_clearance == pytest.approx(4.0, rel=1e-14)
    for of in ("cords", "drops", "breaks"):
        tables = [campaign.table(of).drop(columns="temperature [degC]", errors="ignore") for campaign in (here, there)]
        pd.testing.assert_frame_equal(*tables, rtol=1e-14, atol=0)
    assert here.table()["temperature [degC]"].to_numpy() == pytest.approx(18.5, rel=1e-12)
    for one, other in zip(here.drops, there.drops, strict=True):
        np.testing.assert_allclose(here.read_record(one).time, there.read_record(other).time, rtol=1e-14)
        np.testing.assert_allclose(here.read_record(one).distance, there.read_record(other).distance, rtol=1e-14)
    for channel in ("force", "distance"):
        references = [campaign.calibration[channel].reference for campaign in (here, there)]
        np.testing.assert_allclose(*references, rtol=1e-14)


def test_a_record_in_pounds_force_goes_with_a_calibration_in_newtons(folder):
    """1 lbf is 4.448 221 615 260 5 N (NIST SP 811, B.8)."""
    edit(folder, "calibration/force.csv", ("reading [mV/V]", "reading [N]"))
    for path in (folder / "records").iterdir():
        edit(folder, f"records/{path.name}", ("force [mV/V]", "force [lbf]"))
    campaign = read_campaign(folder)
    typed = np.loadtxt(folder / RECORD, delimiter=",", skiprows=1)[:, 1]
    np.testing.assert_allclose(campaign.read_record(campaign.drops[0]).force, typed * 4.4482216152605, rtol=1e-14)


def remove_distance(folder: Path) -> None:
    for path in (folder / "records").iterdir():
        text = path.read_text()
        path.write_text("".join(line.rpartition(",")[0] + "\n" for line in text.splitlines()))


def test_calibration_is_needed_for_the_channels_of_the_records_and_no_others(folder):
    remove_distance(folder)
    (folder / "calibration" / "distance.csv").unlink()
    campaign = read_campaign(folder)
    assert set(campaign.calibration) == {"force"}
    assert campaign.read_record(campaign.drops[0]).distance is None

    (folder / "calibration" / "force.csv").unlink()
    assert problems(folder) == ["calibration/force.csv: there is no such file; the campaign needs it"]

    shutil.rmtree(folder / "records")
    edit_bytes(folder, "drops.csv", lambda b: re.sub(rb"A\d-\d+\.csv", b"", b))
    campaign = read_campaign(folder)
    assert campaign.calibration == {}
    assert {drop.record for drop in campaign.drops} == {None}


def test_a_lowest_point_may_be_blank_where_the_record_has_the_distance(folder):
    edit_bytes(folder, "drops.csv", lambda b: re.sub(rb"fit,[\d.]+,0.05", b"fit,,", b))
    assert read_campaign(folder).drops[0].lowest_point is None
    remove_distance(folder)
    assert problems(folder) == [
        f"drops.csv, row {row}, column 'lowest point [m]': is blank, and records/{name}.csv has no distance; "
        "give the lowest point or a record with a distance"
        for row, name in [(2, "A1-36"), (4, "A1-100"), (5, "A2-36"), (7, "A2-100")]
    ]


def test_a_drop_that_was_not_read_counts_as_a_jump_and_nothing_else(folder):
    edit_bytes(folder, "drops.csv", lambda b: re.sub(rb"fit,[\d.]+,0.05,A1-36.csv", b"fit,,,", b))
    campaign = read_campaign(folder)
    assert campaign.unread == ("A1-36",)
    assert len(Evidence.of_campaign(campaign, use=("fit",))) == 3
    analysis = with_steps(specimen(), campaign=campaign)
    del vars(analysis)["cautions"]
    assert any("as nothing else: drop A1-36" in caution for caution in analysis.cautions)
    edit_bytes(folder, "drops.csv", lambda b: re.sub(rb"fit,[\d.]*,[\d.]*,[-\w.]*", b"fit,,,", b))
    with pytest.raises(CampaignError, match="no fit drop has a lowest point or a record"):
        analyse(read_campaign(folder))


def test_optional_columns_and_a_release_from_above(folder):
    edit(folder, "campaign.toml", ("0.0(1) m", "-1.5(1) m"))
    for name in ("drops.csv", "cords.csv", "calibration/force.csv"):
        lines = [line.split(",") for line in (folder / name).read_text().splitlines()]
        kept = [n for n, head in enumerate(lines[0]) if not head.startswith(("u(", "temperature"))]
        (folder / name).write_text("".join(",".join(cells[n] for n in kept) + "\n" for cells in lines))
    campaign = read_campaign(folder)
    assert campaign.rig.release_depth == Measured(-1.5, 0.1)
    assert campaign.drops[0].mass == Measured(36.0, 0.0)
    assert np.isnan(campaign.drops[0].temperature)
    assert campaign.calibration["force"].u_reference.tolist() == [0.0] * 14


def test_names_are_kept_as_they_are(folder):
    odd = "Ä=1 <b>&\u200a'x'"
    edit_bytes(folder, "cords.csv", lambda b: b.replace(b"A1", "Ä=1 <b>&'x'".encode()))
    edit_bytes(folder, "drops.csv", lambda b: b.replace(b",A1,", ",Ä=1 <b>&'x',".encode()))
    assert read_campaign(folder).drops[0].cord == "Ä=1 <b>&'x'"
    edit_bytes(folder, "cords.csv", lambda b: b.replace("Ä=1 <b>&'x'".encode(), odd.encode()))
    assert problems(folder) == [
        "cords.csv, row 2, column 'cord': holds a character that cannot be seen (U+200A); type the name again"
    ]


def test_one_cord_and_one_mass_can_be_read(folder):
    """Whether that is enough for an answer is decided later: not rated, with the reason."""
    for name in ("cords.csv", "drops.csv"):
        (folder / name).write_text("".join((folder / name).read_text().splitlines(keepends=True)[:2]))
    assert len(read_campaign(folder).drops) == 1


# -- What is refused; tests/corruptions.tsv has the many rules of one cell, one head, one setting ----------------------

DECISIONS = "kind,drop,cord,release [s],slack end [s],lowest [s],reason,by\n"
TOO_LONG = (
    "campaign.toml: holds more than 1000 lines of 4000 characters, or a number or a nesting that is too long to read"
)
UNSEEN = "holds a character that cannot be seen (U+0007); type the name again"


@pytest.mark.parametrize(
    ("name", "old", "new", "problem"),
    [
        ("drops.csv", ",A1,", ",\x07A1,", f"drops.csv, row 2, column 'cord': {UNSEEN}"),
        (
            "drops.csv",
            "A1-36,",
            "x" * 121 + ",",
            "drops.csv, row 2, column 'drop': is 121 characters long; 120 are taken",
        ),
        ("campaign.toml", "seed = 20", f"seed = {'9' * 5000}", TOO_LONG),
        ("campaign.toml", "seed = 20", f"seed = {'[' * 5000}", TOO_LONG),
    ],
)
def test_refused_and_nothing_else_said(name, old, new, problem, folder):
    edit(folder, name, (old, new))
    assert problems(folder) == [problem]


def test_a_reason_longer_than_is_read(folder):
    (folder / "decisions.csv").write_text(f"{DECISIONS}leave out,,A1,,,,{600 * 'x'},\n")
    assert problems(folder) == ["decisions.csv, row 2, column 'reason': is 600 characters long; 500 are taken"]


def test_all_problems_in_one_go(folder):
    """One slip in every file: each is said, in the order of the files, and nothing is written."""
    edit(folder, "campaign.toml", ("48.00(3) m", "48.00(3)"), ("greatest_g", "gratest_g"))
    edit(folder, "cords.csv", ("A2,10.00", "A2,ten"))
    edit(folder, "drops.csv", (",36.00,", ",-36,"), (",68.00,", ",,"), (",fit,", ",fits,"), ("A2-36,", "A1-36,"))
    edit(folder, "breaks.csv", ("14.1", "-14.1"))
    edit(folder, "calibration/force.csv", ("500,1.5", "500,x"))
    edit(folder, RECORD, ("0.010,", "0.001,"))
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    messages = problems(folder)
    assert [one.split(":")[0] for one in messages] == [
        "campaign.toml, row 4, [rig] 'tie_height'",
        "campaign.toml, row 21, [criteria] 'gratest_g'",
        "cords.csv, row 3, column 'slack length [m]'",
        "drops.csv, row 2, column 'mass [kg]'",
        "drops.csv, row 2, column 'use'",
        "drops.csv, row 3, column 'mass [kg]'",
        "breaks.csv, row 2, column 'breaking load [kN]'",
        f"{RECORD}, row 4, column 'time [s]'",
        "calibration/force.csv, row 3, column 'u(reference) [N]'",
        "drops.csv, row 5, column 'drop'",
    ]
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_missing_sections_and_keys_are_each_a_problem(folder):
    (folder / "campaign.toml").write_text('title = "A"\n[rig]\n[criteria]\nleast_clearance = "4 m"\n')
    rig = ("tie_height", "release_depth", "drag_area", "air_density", "compliance", "load_cell_at")
    assert set(problems(folder)) == {
        "campaign.toml: 'batch' is missing; add it",
        "campaign.toml: the section [site] is missing; add it",
        "campaign.toml: the section [decision] is missing; add it",
        *(f"campaign.toml, row 2, [rig]: '{key}' is missing; add it" for key in rig),
        *(
            f"campaign.toml, row 3, [criteria]: '{key}' is missing; add it"
            for key in ("greatest_g", "least_strength_factor")
        ),
    }


def test_no_folder_no_file(tmp_path, folder):
    assert problems(tmp_path / "none") == [f"{tmp_path / 'none'}: there is no such folder"]
    (folder / "drops.csv").unlink()
    (folder / "drops.csv").mkdir()
    assert problems(folder) == ["drops.csv: is not a file"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_does_not_hang(folder):
    (folder / RECORD).unlink()
    os.mkfifo(folder / RECORD)
    assert problems(folder) == [f"{RECORD}: is not a file"]


@pytest.mark.parametrize("name", ["records", RECORD, "cords.csv", "calibration"])
def test_a_link_out_of_the_folder_is_refused(name, folder, tmp_path):
    away = tmp_path / "away"
    (folder / name).rename(away)
    (folder / name).symlink_to(away)
    messages = problems(folder)
    assert {one.split(": ")[1] for one in messages} == {"is a link to a file elsewhere; put the file itself here"}
    assert all(one.startswith(name) for one in messages)


def test_a_link_in_a_loop_is_refused(folder):
    (folder / RECORD).unlink()
    (folder / RECORD).symlink_to("A1-36.csv")
    assert problems(folder) == [f"{RECORD}: is not a file"]


def test_a_record_linked_for_another_drop_is_refused(folder):
    """Two drops never give the same bytes: noise alone differs. A link inside records/ is the same file twice."""
    (folder / "records" / "A1-68.csv").unlink()
    (folder / "records" / "A1-68.csv").symlink_to("A1-36.csv")
    assert problems(folder) == [
        "drops.csv, row 3, column 'record': 'A1-68.csv' is the record of row 2 too; each drop has its own"
    ]


def test_no_fit_drop(folder):
    edit_bytes(folder, "drops.csv", lambda b: b.replace(b",fit,", b",wear,"))
    assert problems(folder) == ["drops.csv, column 'use': no drop is marked fit; a curve needs some"]


def test_a_breaking_load_comes_from_breaks_or_from_the_maker(folder):
    (folder / "breaks.csv").unlink()
    assert problems(folder) == [
        "campaign.toml, [criteria]: 'design_breaking_load' is missing, and there is no breaks.csv"
    ]
    edit(folder, "campaign.toml", ("[decision]", 'design_breaking_load = "12.5(2) kN"\n[decision]'))
    campaign = read_campaign(folder)
    assert campaign.criteria.design_breaking_load == Measured(12500.0, pytest.approx(200.0))
    assert campaign.breaks == ()


def test_a_slip_in_drops_is_not_blamed_on_decisions(folder):
    """A drop whose name is refused may be the one that a choice by hand is about."""
    (folder / "decisions.csv").write_text("kind,drop,lowest [s],reason\nmark,A1-36,4,invented\n")
    edit(folder, "drops.csv", ("A1-36,", "A1-\x0736,"))
    assert [one.split(":")[0] for one in problems(folder)] == ["drops.csv, row 2, column 'drop'"]


def test_a_cord_that_is_refused_is_not_taken_for_one_left_out(folder):
    """No drop is settled twice, and not all are left out, because a cell is blank."""
    (folder / "decisions.csv").write_text("kind,drop,reason\nleave out,A1-36,invented\n")
    edit(folder, "drops.csv", ("A1-36,A1,", "A1-36,,"))
    assert problems(folder) == ["drops.csv, row 2, column 'cord': is blank; every row needs a value here"]


def test_a_choice_that_is_taken_back_counts_no_more_and_may_be_made_anew(folder):
    rows = "leave out,,A1,,,,x,\ntake back,,A1,,,,y,\nleave out,A1-36,,,,,z,B\n"
    (folder / "decisions.csv").write_text(DECISIONS + rows)
    (choice,) = read_campaign(folder).by_hand
    assert (choice.drop, choice.cord, choice.reason, choice.by) == ("A1-36", None, "z", "B")


# -- The hash, the notes, and records read later -----------------------------------------------------------------------


def test_the_hash_is_that_of_sha256sum_over_all_input_files(folder):
    """Each line as coreutils' sha256sum prints it: digest, two spaces, name; sorted by name."""
    (folder / "pulls").mkdir()
    for name in ("jumps.csv", "pulls/a.csv"):
        (folder / name).write_text("# x")
    (folder / "decisions.csv").write_text("kind,drop,reason\nleave out,A1-36,x\n")
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    listing = "".join(f"{sha256((folder / name).read_bytes()).hexdigest()}  {name}\n" for name in names)
    assert read_campaign(folder).sha256 == sha256(listing.encode()).hexdigest()


def test_the_hash_follows_inputs_and_nothing_else(folder, tmp_path):
    first = read_campaign(folder).sha256
    (folder / "results").mkdir()
    (folder / "results" / "results.json").write_text("{}")
    (folder / "read me.txt").write_text("x")
    (folder / ".hidden").write_text("x")
    (folder / "records" / "spare.csv").write_text("x")
    campaign = read_campaign(folder)
    assert campaign.sha256 == first
    assert campaign.notes == ("read me.txt is not read", "records/spare.csv is not read")
    assert read_campaign(shutil.copytree(folder, tmp_path / "elsewhere")).sha256 == first
    (folder / "decisions.csv").write_text("kind,drop,reason\n")
    assert read_campaign(folder).sha256 != first
    for name in ("jumps.csv", "campaign.toml", RECORD, "calibration/distance.csv"):
        with (folder / name).open("a") as file:
            file.write("\n")
        assert read_campaign(folder).sha256 != first
        first = read_campaign(folder).sha256


def test_a_record_that_changed_since_is_refused(folder):
    campaign = read_campaign(folder)
    edit(folder, RECORD, ("0.010,", "0.011,"))
    with pytest.raises(CampaignError) as caught:
        campaign.read_record(campaign.drops[0])
    assert caught.value.problems == (f"{RECORD}: has changed since the campaign was read; read the campaign again",)
    (folder / RECORD).unlink()
    with pytest.raises(CampaignError, match="there is no such file"):
        campaign.read_record(campaign.drops[0])
