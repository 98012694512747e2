"""The shape of the project: top level, layers, dependencies, notebooks with stored outputs, a quick import."""

import ast
import re
import subprocess
import sys
import tomllib
from itertools import chain
from pathlib import Path

import nbformat
import pytest
from packaging.version import Version

import cordlab
from tests.conftest import ROOT
from tests.test_cli import SMALL

TRACKED = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True).stdout.splitlines()
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def test_the_top_level_holds_these_and_no_others():
    top = {line.split("/")[0] for line in TRACKED if not line.startswith(".")}
    assert top == {
        *("README.md", "DEVELOPERS.md", "pyproject.toml", "environment.yml"),
        *("cordlab", "notebooks", "data-demo", "tests", "shared"),
    }


def test_data_flows_down_the_chain_only():
    from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

    assert lint_imports(config_filename=str(ROOT / "pyproject.toml")) == EXIT_STATUS_SUCCESS


def test_conda_and_pip_ask_for_the_same_packages():
    project = PROJECT["project"]
    wanted = {*project["dependencies"], *project["optional-dependencies"]["test"]}
    wanted.add(f"python{project['requires-python']}")
    listed = re.findall(r"^ +- ([a-z0-9-]+[>=].*)$", (ROOT / "environment.yml").read_text(), flags=re.MULTILINE)
    assert set(listed) == wanted


def test_the_first_page_of_a_folder_names_each_of_its_files():
    for page in sorted((ROOT / "cordlab").glob("*/__init__.py")):
        listed = re.findall(r"^(\w+)  +\S", ast.get_docstring(ast.parse(page.read_text())), flags=re.MULTILINE)
        assert sorted(listed) == sorted(path.stem for path in page.parent.glob("[!_]*.py")), page.parent.name


def test_no_file_of_the_package_is_too_long_to_read():
    lengths = {str(path): len(path.read_text().splitlines()) for path in (ROOT / "cordlab").rglob("*.py")}
    assert {name: length for name, length in lengths.items() if length > 600} == {}


def test_every_public_name_is_there():
    assert [name for name in cordlab.__all__ if not hasattr(cordlab, name)] == []


def test_every_model_is_there_from_the_start():
    code = "import cordlab; print(*cordlab.models())"
    printed = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert {"mooney-rivlin", "gent", "arruda-boyce", "spline"} <= set(printed.stdout.split())


def test_import_is_light():
    """What only some users need is imported where it is used, so that `import cordlab` stays quick."""
    heavy = ["matplotlib", "ipywidgets", "jinja2", "lmfit", "numba", "pandas", "statsmodels", "pint"]
    code = f"import sys, cordlab; print([name for name in {heavy} if name in sys.modules])"
    printed = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert printed.stdout.strip() == "[]"


def test_the_readme_opens_with_two_commands_that_ci_runs():
    readme = (ROOT / "README.md").read_text()
    blocks = re.findall(r"```(?:sh|bash)\n(.*?)```", readme, flags=re.DOTALL)
    assert blocks[0].strip().endswith("analyse data-demo/first-batch")
    assert blocks[1].strip().endswith("python -m tests")
    assert "run the main job" in readme
    assert "pass the tests" in readme


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_outputs_are_stored(path: Path):
    """nbval does not compare a cell that was never run: every code cell has its count, in order."""
    notebook = nbformat.read(path, as_version=4)
    cells = [cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()]
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_is_thin(path: Path):
    """No function of the library is defined in a notebook, and none of the widgets that nbval cannot follow."""
    notebook = nbformat.read(path, as_version=4)
    source = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")
    assert not re.search(r"^\s*(def|class) |interact\(|Output\(", source, flags=re.MULTILINE)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_a_notebook_imports_from_cordlab_alone(path: Path):
    """What a notebook needs is public: names that `cordlab` lists, or that one of its namespaces lists."""
    notebook = nbformat.read(path, as_version=4)
    nodes = [node for cell in notebook.cells if cell.cell_type == "code" for node in ast.walk(ast.parse(cell.source))]
    modules = [node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)]
    modules += [alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names]
    assert [module for module in modules if module.startswith("cordlab.")] == []
    names = [alias.name for node in nodes if isinstance(node, ast.ImportFrom) and node.module == "cordlab"
             for alias in node.names]  # fmt: skip
    assert set(names) <= set(cordlab.__all__)
    used = [node for node in nodes if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)]
    for space in ("figures", "panels"):
        asked = {node.attr for node in used if node.value.id == space}
        assert asked <= set(getattr(cordlab, space).__all__)


CALLS = {"eval", "exec", "compile", "__import__", "os.system", "os.popen", "pickle.load", "pickle.loads"}
MODULES = {"pickle", "marshal", "shelve", "dill", "joblib", "socket", "urllib", "http", "requests", "ftplib", "smtplib"}


def forbidden(tree: ast.AST) -> list[str]:
    """What a module may not do: run text or stored objects, ask a shell, ask the network."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
            found += [name for name in names if name.split(".")[0] in MODULES]
        elif isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            found += [called] if called in CALLS or called.startswith(("os.exec", "os.spawn")) else []
            found += ["shell=" for key in node.keywords if key.arg == "shell"]
            found += ["allow_pickle=" for key in node.keywords if key.arg == "allow_pickle"]
    return found


def test_no_pickle_no_eval_no_shell_no_network():
    """Nothing of a stranger's campaign or bundle is run. (dask pickles between its processes: see DEVELOPERS.md.)"""
    found = {path.name: forbidden(ast.parse(path.read_text())) for path in (ROOT / "cordlab").rglob("*.py")}
    assert {name: what for name, what in found.items() if what} == {}
    planted = (
        "import pickle as p\nfrom urllib.request import urlopen\neval('1')\nos.system('ls')\nrun('ls', shell=True)"
    )
    assert forbidden(ast.parse(planted)) == ["pickle", "urllib.request", "eval", "os.system", "shell="]


OFFLINE = """
import socket, sys
asked = []
def refuse(self, address, *rest):
    asked.append(address)
    raise OSError("no network")
socket.socket.connect = socket.socket.connect_ex = refuse
socket.getaddrinfo = lambda *address, **rest: refuse(None, address)
from cordlab.cli import main
code = main(["analyse", sys.argv[1], "--quiet"])
print(code, asked)
"""


def test_the_main_job_asks_no_network(tmp_path):
    """Every connection and every look-up of a name is refused: none is tried, and the job is done."""
    cordlab.invent(tmp_path / "campaign", truth=tmp_path / "truth.json", **SMALL | {"cords": 1})
    command = [sys.executable, "-c", OFFLINE, str(tmp_path / "campaign")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.stdout == "1 []\n", done.stderr
    assert (tmp_path / "campaign" / "results" / "report.html").exists()


def test_constraints_hold_every_package_within_its_bounds():
    """shared/constraints.txt: versions that the tests passed with; names and versions, nothing of a machine."""
    lines = [line for line in (ROOT / "shared" / "constraints.txt").read_text().splitlines() if line[0] != "#"]
    held = dict(line.split("==") for line in lines)
    assert all(re.fullmatch(r"[a-z0-9-]+==[0-9][0-9a-z.]*", line) for line in lines)
    project = PROJECT["project"]
    for text in chain(project["dependencies"], *project["optional-dependencies"].values()):
        name, lowest = text.split(">=")
        assert Version(held[name]) >= Version(lowest), text
