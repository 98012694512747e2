"""JupyterLab in a real browser, as a user has it: every notebook run from its first cell, a control of a panel moved.

`python -m tests browser` runs it; CORDLAB_SCREENSHOT=FOLDER keeps a picture of each notebook's end. It takes the
Chromium of the machine, or the one that playwright has; where there is neither, it is skipped and says so.
"""

import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import pytest

import cordlab
from cordlab.report import figures as plots
from cordlab.report import page as report
from tests.conftest import ROOT
from tests.specimen import specimen

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install playwright")
pytestmark = pytest.mark.browser

CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
STARTING, RUNNING, ANSWERING = 120, 240, 60  # seconds that a server, a notebook, a moved control may take

READY = """() => {
    const session = window.jupyterapp?.shell.currentWidget?.sessionContext;
    return session && session.isReady && session.session?.kernel?.status === 'idle';
}"""
# what `execute` returns is not waited for: it never ends where JupyterLab asks something in a dialog, and has no limit
RUN = """() => {
    window.jupyterapp.commands.execute('notebook:clear-all-cell-outputs');
    window.jupyterapp.commands.execute('notebook:run-all-cells');
}"""
CELLS = """() => [...window.jupyterapp.shell.currentWidget.content.model.cells]
    .map((cell, number) => [number, cell])
    .filter(([number, cell]) => cell.type === 'code')
    .map(([number, cell]) => ({
        number, source: cell.sharedModel.getSource(),
        done: cell.executionCount !== null && cell.executionState !== 'running',
        outputs: JSON.stringify(cell.outputs.toJSON().filter(
            output => output.output_type === 'error' || output.name === 'stderr')),
    }))"""
SHUT = "() => { window.jupyterapp.shell.currentWidget.sessionContext.shutdown(); }"
IS_SHUT = "() => !window.jupyterapp.shell.currentWidget.sessionContext.session"


@dataclass(frozen=True)
class Move:
    """A control of a panel, by its label, and what is typed or chosen there; a slider is moved by a key."""

    label: str
    value: str = ""
    key: str = "ArrowRight"


MOVES = {
    "00-start": [Move("look in folder", "no such folder")],
    "03-reduce": [Move("drop, cord, mass")],
    "04-fit": [Move("model", "linear")],
    "05-predict": [Move("mass hung [kg]", key="ArrowLeft")],
    "06-rate": [Move("tie point above surface [m]")],
    "08-wear": [Move("least clearance [m]")],
    "10-recheck": [Move("name holds", "wear"), Move("bundle (.zip)", "none.zip")],
    "t1-stretch-and-predict": [Move("guesses [m]", "12,5")],
    "t2-what-a-limit-promises": [Move("cords tested [1]"), Move("answer [1]", "60"), Move("answer [1]", "3")],
    "t3-a-cord-wears": [Move("you would stop at [jumps]", "50")],
}


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        places = [shutil.which(name) for name in CHROMIUM] + [playwright.chromium.executable_path]
        path = next((place for place in places if place and Path(place).is_file()), None)
        if path is None:
            pytest.skip("no Chromium on this machine: apt-get install chromium, or playwright install chromium")
        try:
            arguments = ["--no-sandbox", "--disable-dev-shm-usage"]
            browser = playwright.chromium.launch(executable_path=path, args=arguments)
        except sync_api.Error as error:  # such as a library of the system that it needs
            pytest.skip(f"{path} does not start: {error.message.splitlines()[0]}")
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    """Three invented cords, with records, retests and break tests: something for every notebook, and soon analysed."""
    folder = tmp_path_factory.mktemp("browser") / "campaign"
    cordlab.invent(
        folder,
        seed=3,
        cords=3,
        masses=(50.0, 60.0, 70.0),
        checks=(60.0,),
        worn_masses=(50.0, 70.0),
        retests=(100, 200),
        rate=250.0,
        duration=7.0,
        decision={"model": "mooney-rivlin"},
    )
    return folder


@pytest.fixture(scope="module")
def lab(campaign, tmp_path_factory):
    """JupyterLab on copies of the notebooks, so that its autosave leaves the stored ones alone.  (address, token)"""
    place = tmp_path_factory.mktemp("lab")
    work, settings = place / "notebooks", place / "settings" / "@jupyterlab" / "apputils-extension"
    shutil.copytree(ROOT / "notebooks", work, ignore=shutil.ignore_patterns(".*"))
    settings.mkdir(parents=True)
    (settings / "notification.jupyterlab-settings").write_text('{"fetchNews": "false"}')
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token, log = secrets.token_hex(16), place / "lab.log"
    environment = os.environ | {
        "JUPYTERLAB_SETTINGS_DIR": str(place / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(place / "workspaces"),
        "CORDLAB_CAMPAIGN": str(campaign),
        "CORDLAB_BUNDLE": str(ROOT / "data-demo" / "sent.zip"),
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}", "--allow-root"]
    command += ["--expose-app-in-browser", f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={work}"]
    with log.open("wb") as out:
        server = subprocess.Popen(
            command, stdout=out, stderr=subprocess.STDOUT, env=environment, start_new_session=True
        )
    base, end = f"http://127.0.0.1:{port}", time.monotonic() + STARTING
    try:
        while True:
            assert server.poll() is None, log.read_text()
            assert time.monotonic() < end, f"no JupyterLab after {STARTING} s: {log.read_text()}"
            try:
                urllib.request.urlopen(f"{base}/api/status?token={token}", timeout=2).close()
                break
            except OSError:
                time.sleep(0.25)
        yield base, token
    finally:
        os.killpg(server.pid, signal.SIGTERM)
        server.wait(20)


@pytest.mark.parametrize("width", [1280, 375])
def test_a_report_fits_a_desk_and_a_phone(browser, tmp_path, width):
    """Nothing sticks out of the page: what is wider scrolls by itself. And nothing is fetched."""
    drawn = plots.all_figures(specimen())
    figures = {name: plots.svg(drawn[name], name=name) for name in ("limits", "curves", "wear")}
    path = tmp_path / "report.html"
    path.write_text(report.render(report.results_of(specimen()), figures, second_units=True), encoding="utf-8")
    page, asked = browser.new_page(viewport={"width": width, "height": 800}), []
    page.on("request", lambda request: asked.append(request.url))
    try:
        page.goto(path.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert asked == [path.as_uri()]
    finally:
        page.close()


def run_all(page, name: str) -> None:
    """Run every cell of the notebook that is open. Fails with the cell that raises, warns, or is not done in time."""
    page.wait_for_function(READY, timeout=1000 * STARTING)
    page.evaluate(RUN)
    end = time.monotonic() + RUNNING
    while True:
        cells = page.evaluate(CELLS)
        for cell in cells:
            assert cell["outputs"] == "[]", f"{name}, cell {cell['number']}: {cell['outputs'][:2000]}"
        waiting = next((cell for cell in cells if not cell["done"]), None)
        if waiting is None:
            return
        assert time.monotonic() < end, (
            f"{name}, cell {waiting['number']}: not done {RUNNING} s after run all:\n{waiting['source']}"
        )
        page.wait_for_timeout(250)


def move(page, control: Move) -> None:
    """Move a control as a user does it, by the keyboard, and wait until its panel answers something else."""
    label = page.get_by_text(control.label, exact=True)
    panel = page.locator(".jp-OutputArea-output .widget-vbox", has=label).first
    box, text = panel.locator(".widget-inline-hbox", has=label), panel.locator("[role=status]")
    picture = panel.locator("img")
    panel.scroll_into_view_if_needed()
    before, source = text.inner_text(), picture.get_attribute("src") if picture.count() else None
    if box.locator(".noUi-handle").count():
        box.locator(".noUi-handle").focus()
        page.keyboard.press(control.key)
    elif box.locator("select").count():
        box.locator("select").select_option(control.value)
    else:
        box.locator("input").fill(control.value)
        page.keyboard.press("Enter")
    silent = f"after {ANSWERING} s the panel says the same; moved was '{control.label}'"
    sync_api.expect(text, silent).not_to_have_text(before, timeout=1000 * ANSWERING)
    if source and picture.count():
        end = time.monotonic() + ANSWERING
        while picture.get_attribute("src") == source:
            assert time.monotonic() < end, f"the picture stays; moved was '{control.label}'"
            page.wait_for_timeout(100)
        assert picture.evaluate("image => image.complete && image.naturalWidth > 0")
        assert picture.get_attribute("alt")


def recheck_and_stop(page) -> None:
    """Another criterion takes the answer away; Recheck works until Stop ends it, and answers when it is left alone."""
    panel = page.locator(".jp-OutputArea-output .widget-vbox", has=page.get_by_text("bundle (.zip)", exact=True)).first
    text = panel.locator("[role=status]")
    panel.scroll_into_view_if_needed()
    panel.get_by_text("change [criteria]").click()
    box = panel.locator(".widget-inline-hbox", has=page.get_by_text("greatest_g", exact=True))
    box.locator("input").fill("2.9")
    page.keyboard.press("Enter")
    sync_api.expect(text).to_contain_text("not computed for this bundle and these changes")
    for last in ("Stop", ""):
        panel.get_by_role("button", name="Recheck").click()
        sync_api.expect(text).to_contain_text("working")
        sync_api.expect(panel.locator("progress")).to_be_visible()
        if last:
            panel.get_by_role("button", name=last).click()
            sync_api.expect(text).to_contain_text("not computed for this bundle and these changes")
    sync_api.expect(text).to_contain_text("with criteria.greatest_g = 2.9", timeout=1000 * RUNNING)
    sync_api.expect(panel.locator("progress")).to_have_count(0)


@pytest.mark.parametrize("name", sorted(path.stem for path in (ROOT / "notebooks").glob("*.ipynb")))
def test_every_notebook_runs_and_its_panels_are_alive(browser, lab, name):
    """No error, nothing on stderr, no complaint of the browser; and a panel answers what is moved."""
    base, token = lab
    page, wrong = browser.new_page(viewport={"width": 1280, "height": 1000}), []
    page.set_default_timeout(1000 * ANSWERING)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    try:
        # a workspace of its own: another notebook that was open would be opened again, and its kernel kept
        page.goto(f"{base}/lab/workspaces/{name}/tree/{name}.ipynb?token={token}")
        run_all(page, name)
        if name == "10-recheck":
            recheck_and_stop(page)
        for control in MOVES.get(name, []):
            move(page, control)
        assert page.get_by_text("Error displaying widget").count() == 0
        page.evaluate(SHUT)
        page.wait_for_function(IS_SHUT)
        assert wrong == []
    finally:
        if shots := os.environ.get("CORDLAB_SCREENSHOT"):
            page.screenshot(path=Path(shots) / f"{name}.png")
        page.close()
