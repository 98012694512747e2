"""Fleets on a local cluster of two processes: a worker killed, failures as rows, nothing done twice."""

import csv
import os
import signal
import subprocess
import sys

import pytest

from cordlab import cli, fleet
from cordlab.fleet import COLUMNS, FleetError, outcome, read_table, run_fleet, write_table
from cordlab.mechanics import waves
from tests.conftest import ROOT
from tests.fleets import expected, write_fleet
from tests.processes import gone, interruptible, wait_for

ROW = dict.fromkeys(COLUMNS) | {"campaign": "/a b", "rated": True, "lightest [kg]": 41.25, "retire at": 200}
OTHER = dict.fromkeys(COLUMNS) | {"campaign": '/é,"', "rated": False, "reasons": "one | two"}


@pytest.mark.parametrize(
    "text", ["=cmd|' /C calc'!A0", "+1", "-1", "@SUM(1)", "\t=1", "'=1", "'", "''", "＝1", "a=1", "1 kg"]
)
def test_a_text_that_a_spreadsheet_would_run_is_quoted_and_read_back_as_it_was(tmp_path, text):
    """The beginnings that OWASP lists under "CSV Injection", and those of full width, from memory."""
    row = ROW | {"title": text, "problems": text}
    write_table(tmp_path / "fleet.csv", [row, OTHER])
    assert read_table(tmp_path / "fleet.csv") == [row, OTHER]
    with open(tmp_path / "fleet.csv", encoding="utf-8", newline="") as file:
        cell = next(csv.DictReader(file))["title"]
    assert cell == (text if text[0] in "a1" else f"'{text}")


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_the_table_is_read_as_written(tmp_path, ending):
    if ending == "parquet":
        pytest.importorskip("pyarrow", reason="Parquet needs pyarrow")
    path = tmp_path / f"fleet.{ending}"
    write_table(path, [ROW, OTHER])
    assert read_table(path) == [ROW, OTHER]
    assert os.listdir(tmp_path) == [path.name]


def test_another_file_of_that_name_is_left_alone(tmp_path):
    (tmp_path / "my.csv").write_text("a,b\n1,2\n")
    for name, message in (("my.csv", "is not the table of a fleet|has other columns"), ("my.txt", "ends in .csv")):
        with pytest.raises(FleetError, match=message):
            run_fleet([tmp_path], tmp_path / name)
    assert (tmp_path / "my.csv").read_text() == "a,b\n1,2\n"


def test_a_folder_that_is_not_there_and_another_version_are_rows(tmp_path):
    row, same = outcome(str(tmp_path / "nowhere"))
    assert row["rated"] is None
    assert "there is no such folder" in row["problems"]
    assert not same
    assert "install the same everywhere" in outcome(str(tmp_path), "0.0.1")[0]["problems"]


def test_a_fault_of_our_own_is_a_row(tmp_path, monkeypatch):
    monkeypatch.setattr(fleet, "read_campaign", lambda folder: 1 / 0)
    assert outcome(str(tmp_path))[0]["problems"] == "ZeroDivisionError: division by zero"


def test_without_the_extra_one_line_says_what_to_install(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert cli.main(["fleet", str(tmp_path), "--out", str(tmp_path / "t.csv")]) == 2
    assert capsys.readouterr().err == "a fleet needs dask.distributed: pip install 'cordlab[fleet]'\n"


def test_without_pyarrow_one_line_says_so_before_anything_is_analysed(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setattr(fleet, "_client", None)
    assert cli.main(["fleet", str(tmp_path), "--out", str(tmp_path / "t.parquet")]) == 2
    assert capsys.readouterr().err == "a .parquet table needs pyarrow: pip install pyarrow; or name it .csv\n"


def test_cordlab_does_not_load_dask():
    code = "import sys, cordlab, cordlab.cli, cordlab.fleet; print({'distributed', 'dask'} & {*sys.modules})"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.stdout == "set()\n"


def test_a_fleet_with_a_worker_killed_has_every_campaign_once(tmp_path, monkeypatch):
    """7 campaigns, 2 workers; one of them is killed when the first answer is there; then nothing is done twice."""
    distributed = pytest.importorskip("distributed", reason="the fleet extra is not installed")
    folders, table = write_fleet(tmp_path, 7), tmp_path / "fleet.csv"
    victims, threads = [], []
    monkeypatch.delenv("OMP_NUM_THREADS")  # the fleet sees to it itself that its workers have one thread each

    def killing(done, **_):
        for count, future in enumerate(done):
            if count == 1:
                threads.extend(future.client.run(waves.threads).values())
                pids = future.client.run(os.getpid)
                victims.append(min(pids.values()))
                os.kill(victims[0], signal.SIGKILL)
            yield future

    found = run_fleet([*folders, folders[0]], table, workers=2, progress=killing)
    assert victims
    assert threads == [1, 1]
    assert [row["campaign"] for row in found.rows] == [str(folder) for folder in folders]
    told = {True: "rated", False: "not rated", None: "failed"}
    assert [told[row["rated"]] for row in found.rows] == [expected(k) for k in range(7)]
    assert "cords.csv" in found.rows[3]["problems"]
    assert sorted(row["campaign"] for row in read_table(table)) == sorted(map(str, folders))
    (folders[0] / "breaks.csv").write_bytes((folders[0] / "breaks.csv").read_bytes() + b"\n")
    with distributed.LocalCluster(n_workers=1, processes=False, dashboard_address="127.0.0.1:0") as elsewhere:
        again = run_fleet(folders, table, scheduler=elsewhere.scheduler_address)
    assert again.kept == 5  # all but the one that was changed and the one that failed
    assert [row["heaviest [kg]"] for row in again.rows] == [row["heaviest [kg]"] for row in found.rows]


def test_a_scheduler_that_does_not_answer_is_one_line(tmp_path, capsys):
    pytest.importorskip("distributed", reason="the fleet extra is not installed")
    given = ["--scheduler", "nonsense://x", "--out", str(tmp_path / "t.csv")]
    assert cli.main(["fleet", str(tmp_path), *given]) == 2
    assert "no scheduler answers at 'nonsense://x'" in capsys.readouterr().err
    assert os.listdir(tmp_path) == []


def test_ctrl_c_keeps_what_was_done(tmp_path):
    """As a terminal sends it, to all processes of the fleet: exit 130, one line, a whole table, no process left."""
    pytest.importorskip("distributed", reason="the fleet extra is not installed")
    folders, table = write_fleet(tmp_path, 12), tmp_path / "fleet.csv"
    given = [*map(str, folders), "--workers", "1", "--out", str(table)]
    with interruptible("fleet", *given) as process:
        wait_for(table.exists, process)
        os.killpg(process.pid, signal.SIGINT)
        assert process.wait(60) == 130
        assert process.stderr.read() == b"interrupted: nothing more is written\n"
        assert gone(process.pid)
    assert 0 < len(read_table(table)) < 12
    assert not list(tmp_path.glob(".fleet*"))
