"""The command line: exit codes, where text goes, and what a hostile name or a narrow terminal can do to it."""

import dataclasses
import json
import os
import signal
import subprocess
import sys
from html import escape
from math import ceil

import pytest

import cordlab
from cordlab import cli
from cordlab.cautions import STANDING
from cordlab.synthetic import invent
from tests.processes import interruptible, wait_for
from tests.specimen import refused, specimen

SMALL = {"seed": 4, "cords": 2, "masses": (36.0, 68.0, 100.0), "retests": (), "records": False}


@pytest.fixture
def folder(tmp_path):
    invent(tmp_path / "campaign", truth=tmp_path / "truth.json", **SMALL)
    return tmp_path / "campaign"


def run(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "cordlab.cli", *map(str, arguments)],
        capture_output=True,
        env={**os.environ, **environment},
        timeout=60,
    )


def replace(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_check_of_a_good_campaign_as_text_as_json_and_quiet(folder, capsys):
    assert cli.main(["check", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert "2 cords, drops: 4 fit, 2 check" in out
    assert out.endswith("no problem found\n")
    assert err == ""
    assert cli.main(["check", str(folder), "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["drops"] == {"fit": 4, "check": 2, "wear": 0}
    assert len(facts["sha256"]) == 64
    assert cli.main(["check", str(folder), "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


def test_check_names_what_an_analysis_would_refuse_and_what_does_not_agree(tmp_path, capsys):
    cordlab.invent(tmp_path / "campaign", seed=3, cords=3, masses=(40.0, 80.0), checks=(), retests=(), rate=250.0)
    drops = tmp_path / "campaign" / "drops.csv"
    before = drops.read_text(encoding="utf-8")
    mass = before.splitlines()[1].split(",")[2]
    drops.write_text(before.replace(f",{mass},", f",{float(mass) * 1.08:.2f},"), encoding="utf-8")
    assert cli.main(["check", str(tmp_path / "campaign")]) == 0
    out = capsys.readouterr().out
    assert "note: " in out
    assert "load and motion imply" in out
    assert out.endswith("nothing is refused; see what is said above\n")
    drops.write_text(before, encoding="utf-8")
    pairs = tmp_path / "campaign" / "calibration" / "force.csv"
    head, *rows = pairs.read_text(encoding="utf-8").splitlines()
    low = [row for row in rows if float(row.split(",")[1]) < 500]  # N
    pairs.write_text("\n".join([head, *low, ""]), encoding="utf-8")
    assert cli.main(["check", str(tmp_path / "campaign")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len([line for line in err.splitlines() if "calibrat" in line]) == 6, err


@pytest.mark.parametrize("command", ["check", "analyse", "ladder"])
def test_bad_input_names_every_problem_and_writes_nothing(folder, capsys, command):
    replace(folder / "drops.csv", ",68,", ",-68,")
    replace(folder / "cords.csv", ",0.02,", ",wide,")
    before = sorted(folder.rglob("*"))
    assert cli.main([command, str(folder)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert sum("-68" in line and "drops.csv, row" in line for line in lines) == 2  # one a drop
    assert sum("wide" in line and "cords.csv, row" in line for line in lines) == 2  # one a cord
    assert "Traceback" not in err
    assert sorted(folder.rglob("*")) == before


def test_a_folder_that_is_not_there(tmp_path, capsys):
    assert cli.main(["check", str(tmp_path / "nowhere")]) == 2
    assert "nowhere" in capsys.readouterr().err


def test_invent_writes_a_campaign_and_refuses_to_overwrite_it(tmp_path, capsys):
    folder = tmp_path / "made"
    arguments = ["invent", str(folder), "--seed", "7", "--cords", "1", "--no-records"]
    assert cli.main(arguments) == 0
    assert "made" in capsys.readouterr().out
    files = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert (tmp_path / "truth.json") in files
    assert cli.main(arguments) == 2
    assert "not an empty folder" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == files
    assert cli.main(["check", str(folder)]) == 0


def test_names_cannot_command_the_terminal(folder, capsys):
    """Escapes (ECMA-48) and bidirectional overrides (Unicode TR 36) do not reach it, in answers or problems."""
    hostile = "\\u001b]0;owned\\u0007\\u001b[31mred\\u202egnp.exe\\u009b2J"  # escaped as TOML and JSON write it
    replace(folder / "campaign.toml", 'batch = "', f'batch = "{hostile}')
    replace(folder / "cords.csv", "C", "\x1b[2JC")
    cli.main(["check", str(folder)])
    out, err = capsys.readouterr()
    assert out + err
    for character in "\x1b\x07\x9b\u202e":
        assert character not in out + err
    assert cli._plain(json.loads(f'"{hostile}"') + "\nlast") == (
        r"\u001b]0;owned\u0007\u001b[31mred\u202egnp.exe\u009b2J last"
    )


def test_an_ascii_terminal_is_enough(folder):
    done = run("check", folder, PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert b"no problem found" in done.stdout
    done.stdout.decode("ascii")


def test_a_reader_that_goes_away_is_no_crash(folder):
    """As `cordlab check FOLDER | head -0` does; 141 is 128 + SIGPIPE, the shell's own code."""
    with subprocess.Popen(
        [sys.executable, "-m", "cordlab.cli", "check", str(folder)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        process.stdout.close()
        assert process.wait(60) == 141
        assert process.stderr.read() == b""


def test_interrupt_ends_cleanly(tmp_path):
    """Ctrl-C in the middle of writing: exit 130, no traceback, no half-written campaign."""
    with interruptible("invent", str(tmp_path / "made"), "--cords", "30") as process:
        wait_for(lambda: list(tmp_path.glob(".made-*/made/records/*")), process)
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 130
        assert b"interrupted" in process.stderr.read()
    assert list(tmp_path.iterdir()) == []


def test_help_needs_no_heavy_import():
    code = "import sys; from cordlab import cli\ntry: cli.main(['--help'])\nexcept SystemExit: pass\n"
    code += "print({'numpy', 'pandas', 'scipy', 'matplotlib'} & {*sys.modules})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.endswith("set()\n")
    assert "invent" in done.stdout


def test_usage_errors_exit_2(capsys):
    with pytest.raises(SystemExit, match="2"):
        cli.main(["invent"])
    assert "FOLDER" in capsys.readouterr().err


def test_what_speaks_against_every_mass_is_not_said_again_in_every_row():
    above = ("only 1 cord; drop another", "gear is 0 kg")
    assert cli._verdict(False, "g limit 3 is above 2; only 1 cord; drop another; gear is 0 kg", above=above) == (
        "no: g limit 3 is above 2"
    )
    assert cli._verdict(False, "only 1 cord; drop another; gear is 0 kg", above=above) == "no, see above"
    assert cli._verdict(True, "", above=()) == "yes"


def test_table_shows_every_fourth_kilogram_and_both_ends():
    rating = specimen().rating
    rows = [line.split() for line in cli._table(rating).splitlines()[4:]]
    assert [row[0] for row in rows] == ["33.0", *(f"{mass}.0" for mass in range(36, 97, 4)), "97.0"]
    assert rows[0][1:3] == ["20.98", "21.54"]  # 12.0 + 0.272 × 33 and 12.1 + 0.286 × 33 = 21.538, up
    assert " ".join(rows[0]).endswith("no: g limit fails its criterion")
    assert rows[5][-1] == "yes"
    assert cli._table(refused().rating) == ""
    first = cli._table(rating, pounds=True).splitlines()[4].split()
    assert first[:3] == ["72.8", "68.8", "70.7"]  # 72.75 lb, 68.82 ft, 70.66 ft up
    assert first[5] == str(ceil((790 + 17.3 * 33) / 4.4482216152605))  # lbf
    unlike_a_whole = dataclasses.replace(
        rating, predictions=(rating.predictions[0] | {"mass": 41.503702}, *rating.predictions[9:])
    )
    assert cli._table(unlike_a_whole).splitlines()[4].split()[0] == "41.5"


@pytest.fixture
def analysed(monkeypatch):
    """Spare the commands the minute that an analysis takes: give them this one."""
    return lambda analysis: monkeypatch.setattr(cordlab, "analyse", lambda campaign, *, progress: analysis)


def test_analyse_prints_the_answer_and_writes_it(analysed, folder, tmp_path, capsys):
    analysed(specimen())
    assert cli.main(["analyse", str(folder), "--out", str(tmp_path / "out")]) == 0
    out, err = capsys.readouterr()
    assert err == ""  # no progress bar where nobody looks
    assert "rated for rider masses of 45.0 to 85.0 kg\n  finding: drop A2-100: softer than" in out
    assert "look at its record\n  light end: g;  heavy end: clearance" in out
    assert "in service, A7: 120 jumps, 380 left before retirement: no inspe" in out
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert all(escape(caution).replace("&#x27;", "&#39;") in page for caution in specimen().cautions)  # in full
    assert out.endswith("\n".join(["", f"written: {tmp_path / 'out'}", "", *STANDING, ""]))
    assert len(STANDING) == 4
    assert "caution: " not in out  # this campaign adds none
    assert not (folder / "results").exists()


def test_not_rated_exits_1_and_json_is_the_written_file(analysed, folder, capsys):
    analysed(refused("only 1 cord: no limit for another"))
    assert cli.main(["analyse", str(folder), "--json"]) == 1
    printed = json.loads(capsys.readouterr().out)
    assert printed == json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))
    assert printed["rating"]["reasons"] == ["only 1 cord: no limit for another"]
    # again, over the results of before, which are of other inputs than this folder's
    assert cli.main(["report", str(folder)]) == 1
    assert capsys.readouterr().out == f"written: {folder / 'results' / 'report.html'}\nfrom a new analysis\n"


def test_a_fault_of_our_own_is_not_called_bad_input(monkeypatch, folder):
    def broken(campaign, *, progress):
        raise RuntimeError("a fault")

    monkeypatch.setattr(cordlab, "analyse", broken)
    with pytest.raises(RuntimeError, match="a fault"):
        cli.main(["analyse", str(folder)])
