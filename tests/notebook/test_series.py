"""The series run on a campaign: executed copies beside the results, repeatable, told apart when they are stale."""

import sys
import zipfile

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

import cordlab
from cordlab import cli, read_campaign
from cordlab.campaign.files import CampaignError
from cordlab.notebook import choose as series
from tests.conftest import ROOT
from tests.small_campaign import edit, write_small_campaign


@pytest.fixture
def campaign(tmp_path):
    return read_campaign(write_small_campaign(tmp_path / "campaign"))


@pytest.fixture
def notebooks(monkeypatch, tmp_path):
    """Writes notebooks of these code cells, name by name, and has them be the series."""
    place = tmp_path / "notebooks"
    place.mkdir()
    monkeypatch.setattr(series, "NOTEBOOKS", place)

    def write(**cells):
        for name, sources in cells.items():
            notebook = new_notebook(cells=[new_markdown_cell("# A question"), *map(new_code_cell, sources)])
            for cell in notebook.cells[1:]:  # as stored in the repository: outputs of another campaign
                cell.outputs = [nbformat.v4.new_output("stream", text="stored before")]
            nbformat.write(notebook, place / f"01-{name}.ipynb")

    return write


ASKS = "import os; print(os.environ['CORDLAB_CAMPAIGN'])"


def test_a_notebook_runs_on_the_campaign_in_this_python_and_twice_alike(campaign, notebooks):
    notebooks(a=[ASKS, "import sys; print(sys.executable)"])
    first = series.run_notebook(*series.series(), campaign)
    assert (first.failed, first.stopped) == (None, None)
    printed = [cell.outputs[0].text for cell in nbformat.reads(first.content.decode(), 4).cells[1:]]
    assert printed == [f"{campaign.folder}\n", f"{sys.executable}\n"]
    assert series.run_notebook(*series.series(), campaign).content == first.content


def test_the_series_is_kept_beside_the_results_until_an_input_changes(campaign, notebooks):
    needs = "from cordlab import Missing, chosen_campaign\nchosen_campaign().sha256"
    notebooks(a=["1 + 1"], b=[needs, "raise Missing('no record')", "print('beyond')"])
    assert series.executed(campaign) == ((), ())  # never run: nothing to say
    copies = series.run_series(campaign)
    assert [copy.stopped for copy in copies] == [None, "no record"]
    stopped = nbformat.reads(copies[1].content.decode(), 4)
    assert stopped.cells[1].outputs[0].data["text/plain"] == repr(campaign.sha256)
    assert "beyond" not in stopped.cells[-1].source
    assert stopped.cells[-1].outputs[0].traceback == ["This notebook stops here: no record"]
    paths, problems = series.executed(campaign)
    assert ([path.name for path in paths], problems) == (["01-a.ipynb", "01-b.ipynb"], ())
    paths[0].unlink()
    assert series.executed(campaign) == ((), ("there is no 01-a.ipynb",))
    edit(campaign.folder, "drops.csv", ("0.05", "0.06"))
    paths, problems = series.executed(read_campaign(campaign.folder))
    assert not paths
    assert "01-b.ipynb was run on other inputs" in problems


def test_a_failed_notebook_is_named_with_its_cell_and_the_message(campaign, notebooks, capsys):
    notebooks(a=["x = 1", "y = x / 0\nprint(y)", "print('beyond')"])
    assert cli.main(["notebooks", str(campaign.folder)]) == cli.NO
    text = capsys.readouterr().out
    assert "01-a.ipynb: FAILED in cell 3 (y = x / 0): ZeroDivisionError: division by zero" in text
    paths, problems = series.executed(campaign)
    assert not paths
    assert "failed in cell 3" in problems[0]


def test_what_only_the_analysis_refuses_is_bad_input_and_writes_nothing(campaign, notebooks):
    notebooks(a=["from cordlab import CampaignError\nraise CampaignError(('records/a.csv: clipped', 'and b'))"])
    with pytest.raises(CampaignError) as refused:
        series.run_series(campaign)
    assert refused.value.problems == ("records/a.csv: clipped", "and b")
    assert not (campaign.folder / "results").exists()


def test_a_campaign_that_changes_meanwhile_is_not_mixed(campaign, notebooks):
    notebooks(a=[ASKS, "with open(os.environ['CORDLAB_CAMPAIGN'] + '/drops.csv', 'a') as f: f.write('\\n')"])
    with pytest.raises(ValueError, match=r"drops\.csv has changed"):
        series.run_series(campaign)
    assert not (campaign.folder / "results").exists()


def test_the_notebooks_are_in_the_wheel_where_the_series_looks_for_them():
    import tomllib

    built = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]["wheel"]
    for inside, outside in zip(series._PLACES, ("cordlab/notebooks", "notebooks"), strict=True):
        assert inside == ROOT / outside
    assert built["force-include"]["notebooks"] == "cordlab/notebooks"
    assert len(series.series()) == 10


def test_fresh_copies_go_into_the_bundle_and_stale_ones_are_told(campaign, notebooks, monkeypatch, tmp_path, capsys):
    from cordlab.report import figures
    from tests.specimen import specimen

    monkeypatch.setattr(figures, "all_figures", lambda analysis: {})
    monkeypatch.setattr(cordlab, "analyse", lambda campaign, progress: specimen())
    monkeypatch.setattr(cli, "_campaign", lambda options: campaign)

    def published(name):
        who = ["--licence", "CC-BY-4.0", "--author", "An invented author", "--date", "2026-05-04"]
        assert cli.main(["publish", str(specimen().campaign.folder), str(tmp_path / name), *who]) == cli.DONE
        return capsys.readouterr().out, zipfile.ZipFile(tmp_path / name).namelist()

    notebooks(a=["print(1)"])
    series.run_series(campaign)
    text, names = published("a.zip")
    assert "notebooks/01-a.ipynb" in names
    assert "left out" not in text
    notebooks(b=["print(2)"])
    text, names = published("b.zip")
    assert "the executed notebooks were left out: there is no 01-b.ipynb" in text
    assert "notebooks/01-a.ipynb" not in names
