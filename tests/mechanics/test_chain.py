"""Where the compiled chain is kept, and with how many threads it runs."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import cordlab
from cordlab.mechanics import waves


@pytest.mark.parametrize("asked", [False, True], ids=["the user's cache", "NUMBA_CACHE_DIR"])
def test_the_compiled_chain_is_kept_where_the_install_cannot_be_written(tmp_path, asked):
    """A file stands where the cache beside the package would be, so that nobody, not even root, can write there."""
    package = tmp_path / "install" / "cordlab"
    shutil.copytree(Path(cordlab.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    (package / "mechanics" / "__pycache__").write_text("not a folder")
    kept = tmp_path / ("asked" if asked else "home")
    environment = {key: value for key, value in os.environ.items() if key != "NUMBA_CACHE_DIR"}
    environment |= {"PYTHONPATH": str(package.parent), "HOME": str(tmp_path / "home"), "PYTHONDONTWRITEBYTECODE": "1"}
    environment |= {"XDG_CACHE_HOME": str(tmp_path / "home"), "LOCALAPPDATA": str(tmp_path / "home")}
    if asked:
        environment["NUMBA_CACHE_DIR"] = str(kept)
    code = "from cordlab.mechanics import chain; print(chain.__file__, sum(chain.follow.stats.cache_hits.values()))"
    for hits in (0, 1):
        done = subprocess.run(
            [sys.executable, "-c", code], env=environment, cwd=tmp_path, capture_output=True, text=True
        )
        assert done.stdout.split() == [str(package / "mechanics" / "chain.py"), str(hits)], done.stderr
        assert list(kept.rglob("*.nbi"))


@pytest.mark.parametrize(("asked", "threads"), [("1", 1), ("3", 3), ("", os.cpu_count()), ("many", os.cpu_count())])
def test_as_many_threads_as_asked(monkeypatch, asked, threads):
    monkeypatch.setenv("OMP_NUM_THREADS", asked)
    assert waves.threads() == threads


def test_workers_of_tests_have_one_thread():
    """Two of them on two cores would else start four."""
    assert waves.threads() == 1
