"""Which campaign the notebooks work on, and where its chain stands; small invented campaigns with one thing missing."""

import re

import nbformat
import pytest

from cordlab import Missing, chosen_campaign
from cordlab.notebook import choose as choosing
from cordlab.notebook.choose import CHOICE, START, VARIABLE, campaigns_in, choose, chosen_folder, series, stand
from tests.conftest import ROOT
from tests.small_campaign import edit, write_small_campaign


@pytest.fixture(autouse=True)
def _nothing_is_chosen(monkeypatch, tmp_path):
    """A folder of notebooks without a demo beside it, as where cordlab is installed."""
    monkeypatch.delenv(VARIABLE, raising=False)
    (tmp_path / "lab").mkdir()
    monkeypatch.chdir(tmp_path / "lab")


@pytest.fixture
def campaign(tmp_path):
    return write_small_campaign(tmp_path / "campaigns" / "one")


def states(folder):
    return stand(folder).steps["state"].to_dict()


def test_the_variable_wins_over_the_choice_and_the_choice_over_the_demo(monkeypatch, campaign, tmp_path):
    with pytest.raises(Missing, match=r"00-start\.ipynb"):
        chosen_folder()
    demo = tmp_path / "data-demo" / "first-batch"
    demo.mkdir(parents=True)
    assert chosen_folder().resolve() == demo
    choose(campaign)
    assert chosen_folder() == campaign
    assert chosen_campaign().title == "A small invented campaign"
    monkeypatch.setenv(VARIABLE, str(tmp_path / "other"))
    assert chosen_folder() == tmp_path / "other"


def test_a_relative_choice_starts_at_the_notebooks(campaign, tmp_path):
    """So executed copies work on the campaign that they lie in, wherever it is moved to."""
    place = campaign / "results" / "notebooks"
    place.mkdir(parents=True)
    (place / CHOICE).write_text("../..\n")
    assert chosen_folder(place).resolve() == campaign.resolve()


def test_campaigns_are_found_two_folders_deep_hidden_ones_left_out(campaign, tmp_path):
    for name in ("campaigns/inner/two", ".hidden", "campaigns/a/b/c"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "campaign.toml").touch()
    assert campaigns_in(tmp_path / "campaigns") == (tmp_path / "campaigns" / "inner" / "two", campaign)
    assert campaigns_in(campaign) == (campaign,)
    assert campaigns_in(tmp_path / "nowhere") == ()


def test_every_notebook_of_the_series_has_its_step(campaign, monkeypatch):
    assert states(campaign)["10-recheck"] == "missing"  # nobody has sent a bundle
    monkeypatch.setenv("CORDLAB_BUNDLE", str(ROOT / "data-demo" / "sent.zip"))
    steps = states(campaign)
    assert [path.stem for path in series()] == [name for name in steps if not name.startswith("t")]
    assert steps["08-wear"] == steps["t3-a-cord-wears"] == "missing"
    assert {state for name, state in steps.items() if name not in ("08-wear", "t3-a-cord-wears")} == {"ready"}


def test_without_records_the_notebooks_of_records_have_nothing(campaign):
    text = (campaign / "drops.csv").read_text()
    (campaign / "drops.csv").write_text(re.sub(r",[^,\n]+\.csv$", ",", text, flags=re.MULTILINE))
    for record in (campaign / "records").iterdir():
        record.unlink()
    for table in (campaign / "calibration").iterdir():
        table.unlink()
    steps = states(campaign)
    assert [steps[name] for name in ("01-campaign", "02-calibrate", "03-reduce", "04-fit", "05-predict")] == [
        "ready", "missing", "missing", "missing", "ready",
    ]  # fmt: skip


def test_one_mass_is_refused_with_the_reason(campaign):
    text = (campaign / "drops.csv").read_text()
    (campaign / "drops.csv").write_text(re.sub(r"(-100,A\d,100.*),fit,", r"\1,check,", text))
    step = stand(campaign).steps.loc["05-predict"]
    assert step["state"] == "refused"
    assert step["what is there"].endswith("1 masses among the `fit` drops; it takes 2 masses among the `fit` drops")


def test_a_campaign_with_problems_is_refused_and_the_rest_waits(campaign):
    edit(campaign, "drops.csv", ("36.00", "-36.00"))
    standing = stand(campaign)
    assert standing.campaign is None
    assert "row 2" in standing.problems[0]
    assert list(standing.steps["state"]) == ["refused"] + ["waits"] * (len(standing.steps) - 1)
    assert standing.problems[0] in standing.summary()


def test_the_panel_chooses_for_all_notebooks_only_when_told(campaign, tmp_path):
    panel = choosing.start_panel()
    assert "no campaign in" in panel.words
    panel.controls["look_in"].set_state({"value": str(tmp_path / "campaigns")})
    assert panel.controls["folder"].value == str(campaign)
    assert "only looked at" in panel.words
    assert not (tmp_path / "lab" / CHOICE).exists()
    panel.controls["use"].set_state({"value": True})
    assert chosen_folder() == campaign
    assert "work on this campaign" in panel.words
    assert panel.words.count("01-campaign") == 0
    assert "○ missing" in panel.picture.value


def test_the_panel_says_where_the_variable_wins(monkeypatch, campaign, tmp_path):
    other = write_small_campaign(tmp_path / "campaigns" / "other")
    monkeypatch.setenv(VARIABLE, str(campaign))
    panel = choosing.start_panel()
    panel.controls["folder"].value = str(other)
    panel.controls["use"].value = True
    assert f"{VARIABLE} is set" in panel.words
    assert chosen_folder() == campaign


NOTEBOOKS = {path.stem: nbformat.read(path, 4).cells for path in sorted((ROOT / "notebooks").glob("*.ipynb"))}


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_notebook_asks_one_question_shows_raw_data_first_answers_and_goes_on(name):
    """The same question in the notebook, in the start notebook's table and in the README."""
    cells = NOTEBOOKS[name]
    (question,) = re.findall(r"\*\*([^*]+\?)\*\*", cells[0].source)
    assert question == choosing.question(name)
    assert f"| `{name}` | {question} |" in (ROOT / "README.md").read_text(encoding="utf-8")
    headings = [line for cell in cells for line in cell.source.splitlines() if line.startswith("## ")]
    assert headings[0].startswith("## Choose the campaign" if name == START else "## The raw data")
    assert headings[-1] == "## Answer"
    names = list(NOTEBOOKS)
    after = names[names.index(name) + 1] if name not in ("10-recheck", names[-1]) else START
    assert f"({after}.ipynb)" in cells[-1].source
    assert "For the trainer" in cells[0].source or name == START


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_the_answer_has_numbers_and_outputs_are_stored(name):
    cells = NOTEBOOKS[name]
    counts = [cell.execution_count for cell in cells if cell.cell_type == "code"]
    assert counts == list(range(1, len(counts) + 1))
    last = next(cell for cell in reversed(cells) if cell.cell_type == "code")
    told = "".join(output.text for output in last.outputs if output.output_type == "stream")
    assert re.search(r"\d", told)
    assert not any(output.output_type == "error" for cell in cells for output in cell.get("outputs", ()))


def test_a_notebook_stops_with_one_line():
    """IPython shows what `_render_traceback_` gives in place of a traceback."""
    assert Missing("no records")._render_traceback_() == ["This notebook stops here: no records"]
