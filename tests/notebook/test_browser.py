"""JupyterLab in a real browser, as a user has it: run all cells, move a slider, see the answer change.

It takes the Chromium of the machine, else the one that playwright has or can fetch; where there is none of them (no
network, or a library of the system is missing) it is skipped and says so.
`python -m pytest tests/notebook/test_browser.py` runs it alone; CORDLAB_SCREENSHOT=FILE keeps a picture of the end.
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
from pathlib import Path

import pytest

from cordlab.report import figures as plots
from cordlab.report import page as report
from tests.conftest import ROOT
from tests.specimen import specimen

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install playwright")
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FETCHING = 300  # seconds that fetching a browser may take

READY = """() => {
    const session = window.jupyterapp?.shell.currentWidget?.sessionContext;
    return session && session.isReady && session.session?.kernel?.status === 'idle';
}"""


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        browser, why = None, ""
        for find in (_on_the_path, lambda: playwright.chromium.executable_path, lambda: _fetched(playwright)):
            if browser is None and (path := find()) and Path(path).is_file():
                try:
                    arguments = ["--no-sandbox", "--disable-dev-shm-usage"]
                    browser = playwright.chromium.launch(executable_path=path, args=arguments)
                except sync_api.Error as error:  # such as a library of the system that it needs
                    why = f"{path} does not start: {error.message.splitlines()[0]}"
        if browser is None:
            pytest.skip(why or "no Chromium on this machine, and none could be fetched: apt-get install chromium")
        yield browser
        browser.close()


def _on_the_path() -> str | None:
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def _fetched(playwright) -> str | None:
    """Chromium as playwright fetches it for the user's account; None where it cannot."""
    command = [sys.executable, "-m", "playwright", "install", "chromium"]
    try:
        subprocess.run(command, check=True, capture_output=True, timeout=FETCHING)
    except (subprocess.SubprocessError, OSError):
        return None
    return playwright.chromium.executable_path


@pytest.fixture
def lab(tmp_path):
    """JupyterLab on copies of the notebooks, so that its autosave leaves the stored ones alone.  (address, token)"""
    work = tmp_path / "notebooks"
    shutil.copytree(ROOT / "notebooks", work, ignore=shutil.ignore_patterns(".*"))
    quiet = tmp_path / "settings" / "@jupyterlab" / "apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text('{"fetchNews": "false"}')
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token, log = secrets.token_hex(16), tmp_path / "lab.log"
    environment = os.environ | {
        "JUPYTERLAB_SETTINGS_DIR": str(tmp_path / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(tmp_path / "workspaces"),
        "CORDLAB_CAMPAIGN": str(ROOT / "data-demo" / "first-batch"),
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}", "--allow-root"]
    command += ["--expose-app-in-browser", f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={work}"]
    with log.open("wb") as out:
        server = subprocess.Popen(
            command, stdout=out, stderr=subprocess.STDOUT, env=environment, start_new_session=True
        )
    base = f"http://127.0.0.1:{port}"
    try:
        for _ in range(240):
            assert server.poll() is None, log.read_text()
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


def run_all(page, address: tuple[str, str], name: str) -> None:
    """Open a notebook, forget its stored outputs, run every cell, and wait for the last."""
    base, token = address
    page.goto(f"{base}/lab/tree/{name}?token={token}")
    page.wait_for_function(READY, timeout=60_000)
    for command in ("notebook:clear-all-cell-outputs", "notebook:run-all-cells"):
        page.evaluate("name => window.jupyterapp.commands.execute(name).then(() => true)", command)


def test_move_a_slider_and_see_the_answer_change(browser, lab):
    page = browser.new_page(viewport={"width": 1280, "height": 1000})
    page.set_default_timeout(30_000)
    sync_api.expect.set_options(timeout=60_000)  # a moved slider waits for the cells that still run
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda told: wrong.append(told.text) if told.type == "error" else None)
    try:
        run_all(page, lab, "t2-what-a-limit-promises.ipynb")
        panel = page.locator(".jp-OutputArea-output .widget-vbox").first
        text, picture = panel.locator("[role=status]"), panel.locator("img")
        sync_api.expect(text).to_contain_text("asked for 95 %")
        before, source = text.inner_text(), picture.get_attribute("src")
        handle = panel.locator(".noUi-handle").first
        handle.focus()
        handle.press("ArrowRight")  # one cord more: the keyboard is enough
        sync_api.expect(text).not_to_have_text(before)
        sync_api.expect(picture).not_to_have_attribute("src", source or "")
        assert picture.evaluate("image => image.complete && image.naturalWidth > 0")
        assert "limit" in (picture.get_attribute("alt") or "")
        exercise = page.locator(".jp-OutputArea-output .widget-vbox", has_text="degrees of freedom").first
        place = exercise.locator("input[type=text]")
        for typed, said in (("60", "Not yet"), ("3", "Right")):
            place.fill(typed)
            place.press("Enter")
            sync_api.expect(exercise.locator("[role=status]")).to_contain_text(said)
        failed = page.locator('[data-mime-type="application/vnd.jupyter.stderr"], .jp-RenderedError')
        assert failed.count() == 0
        assert wrong == []
    finally:
        if shot := os.environ.get("CORDLAB_SCREENSHOT"):
            page.screenshot(path=Path(shot))
        page.close()
