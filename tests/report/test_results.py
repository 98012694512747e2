"""The results folder under faults: killed, disk full, closed folder, two at once, inputs changed, files altered."""

import dataclasses
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from itertools import count

import pytest

import cordlab
from cordlab import cli
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.campaign.files import changes
from cordlab.report import results_folder as results
from cordlab.report.results_folder import MANIFEST, ResultsError, results_state, write_folder
from tests.processes import interruptible
from tests.small_campaign import edit, write_small_campaign
from tests.test_cli import SMALL

NAMES = ("report.html", *(f"figures/{k}.png" for k in range(5)))


@pytest.fixture
def folder(tmp_path):
    return write_small_campaign(tmp_path / "campaign")


def files(folder, version="1", size=20_000):
    """What an analysis of the campaign in `folder` would write, for the state alone: invented, all of one version."""
    digests = read_campaign(folder).digests if (folder / "campaign.toml").exists() else {}
    facts = {"cordlab": cordlab.__version__, "campaign": {"digests": digests}, "version": version}
    return {name: version.encode() * size for name in NAMES} | {"results.json": json.dumps(facts).encode()}


def state(folder):
    return results_state(folder).state


def in_place(monkeypatch):
    """As where the results are mounted, or their place is closed: the folder must stay."""
    monkeypatch.setattr(results, "_must_stay", lambda out: out.is_dir())


def test_fresh_then_stale_by_each_input(folder):
    assert state(folder) == "missing"
    write_folder(folder / "results", files(folder))
    assert (
        results_state(folder)
        == results_state(read_campaign(folder))
        == results.ResultsState(folder / "results", "fresh")
    )
    for name in ("drops.csv", "records/A1-36.csv", "calibration/force.csv", "breaks.csv"):
        data = (folder / name).read_bytes()
        (folder / name).write_bytes(data + b"\n")
        found = results_state(folder)
        assert (found.state, found.reasons) == ("stale", (f"{name} has changed",))
        assert found == results_state(read_campaign(folder))
        (folder / name).write_bytes(data)
    (folder / "jumps.csv").write_text("cord,date,jumps,damage\n")
    assert results_state(folder).reasons == ("jumps.csv is new",)
    (folder / "jumps.csv").unlink()
    (folder / "breaks.csv").unlink()
    assert results_state(folder).reasons == ("breaks.csv is gone, or cannot be read",)


def test_results_of_another_version_are_stale(folder):
    write_folder(folder / "results", files(folder))
    text = json.loads(files(folder)["results.json"]) | {"cordlab": "0.0.1"}
    write_folder(folder / "results", files(folder) | {"results.json": json.dumps(text).encode()})
    assert results_state(folder).reasons == (f"written by cordlab 0.0.1, this is {cordlab.__version__}",)


def remove(path):
    path.unlink()


@pytest.mark.parametrize(
    ("name", "change", "reason"),
    [
        ("report.html", lambda path: path.write_bytes(b"2"), "report.html is not the file"),
        ("results.json", lambda path: path.write_bytes(b"{}"), "results.json is not the file"),
        ("figures/3.png", remove, "figures/3.png is missing"),
        (MANIFEST, remove, f"no {MANIFEST} of cordlab's lists its results.json"),
        (MANIFEST, lambda path: path.write_bytes(b"\xff\x00"), f"no {MANIFEST} of cordlab's lists its results.json"),
    ],
)
def test_damage_is_named(folder, name, change, reason):
    write_folder(folder / "results", files(folder))
    change(folder / "results" / name)
    found = results_state(folder)
    assert found.state == "damaged"
    assert reason in found.summary()


@pytest.mark.parametrize(
    "text", ["[]", '{"cordlab": "0.1.0"}', '{"cordlab": 1, "campaign": {"digests": 3}}', "{", "1" * 5000]
)
def test_results_that_are_none_are_damaged_with_no_traceback(folder, text):
    write_folder(folder / "results", files(folder) | {"results.json": text.encode()})
    assert state(folder) == "damaged"


def test_the_manifest_is_what_sha256sum_reads(folder):
    write_folder(folder / "results", files(folder))
    done = subprocess.run(["sha256sum", "--check", "--quiet", MANIFEST], cwd=folder / "results", capture_output=True)
    assert done.returncode == 0
    assert (folder / "results" / MANIFEST).read_text().count("\n") == len(NAMES) + 2


@pytest.mark.parametrize("renamed", [True, False])
def test_own_files_of_before_go_and_those_of_others_stay(folder, monkeypatch, renamed):
    if not renamed:
        in_place(monkeypatch)
    out = folder / "results"
    write_folder(out, files(folder) | {"report.pdf": b"of the first analysis"})
    (out / "signed.pdf").write_bytes(b"signed")
    (out / "notes").mkdir()
    (out / "notes" / "a.txt").write_text("seen")
    write_folder(out, files(folder, "2"))
    assert not (out / "report.pdf").exists()
    assert (out / "signed.pdf").read_bytes() + (out / "notes" / "a.txt").read_bytes() == b"signedseen"
    assert state(folder) == "fresh"
    assert (out / "report.html").read_bytes()[:1] == b"2"
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []


def test_a_folder_of_somebody_else_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("years")
    with pytest.raises(ResultsError, match=r"holds 'thesis.txt' and no results .*choose a new or an empty folder"):
        write_folder(tmp_path, files(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_the_folder_one_stands_in_stays_the_same_folder(tmp_path, monkeypatch):
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    for version in "12":
        write_folder(".", files(tmp_path, version))
        assert sorted(os.listdir(".")) == [MANIFEST, "figures", "report.html", "results.json"]
    assert results_state(tmp_path, results=".").state == "fresh"


def test_a_link_to_a_results_folder_stays_a_link(tmp_path, folder):
    (tmp_path / "elsewhere").mkdir()
    (folder / "results").symlink_to(tmp_path / "elsewhere")
    for version in "12":
        write_folder(folder / "results", files(folder, version))
    assert (folder / "results").is_symlink()
    assert state(folder) == "fresh"
    assert (tmp_path / "elsewhere" / "report.html").read_bytes()[:1] == b"2"


WRITERS = """
import os, sys
from itertools import count, cycle
from pathlib import Path
from tests.report.test_results import files, results
if sys.argv[2] == "in place":
    results._must_stay = lambda out: out.is_dir()
out = Path(sys.argv[1]) / "results"
contents = [files(out.parent, version, size) for version, size in (("1", 4_000), ("2", 6_000))]
CALLS = ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir")
def kill_at(step, numbers=count(1)):
    def hook(event, arguments):
        if event in CALLS and next(numbers) == step:
            os._exit(9)
    sys.addaudithook(hook)
results.write_folder(out, contents[0])
for line in sys.stdin:
    child = os.fork()
    if not child:
        if int(line):
            results.write_folder(out, contents[0])
            kill_at(int(line))
            results.write_folder(out, contents[1])
            os._exit(0)
        for content in cycle(contents):
            results.write_folder(out, content)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) if int(line) else child, flush=True)
"""


@contextmanager
def writers(folder, how):
    """Gives a function that starts one more process that writes results: with 0 it does nothing but that, and its id
    is given; with k it ends, as if killed, at its k-th call on a file, or comes to its end, which gives 0.
    """
    command = [sys.executable, "-c", WRITERS, str(folder), how]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1) as process:

        def start(step=0):
            process.stdin.write(f"{step}\n")
            return int(process.stdout.readline())

        yield start
        process.stdin.close()


def versions(folder):
    return {(folder / "results" / name).read_bytes()[:1] for name in NAMES}


def test_killed_while_writing_leaves_the_old_or_the_new(tmp_path):
    """At every call on a file, one after the other; no cleaning up in between."""
    seen = []
    with writers(tmp_path, "by renames") as start:
        for step in count(1):
            ended = start(step) == 0
            assert state(tmp_path) == "fresh"
            seen.append(*versions(tmp_path))
            if ended:
                break
    assert len(seen) > len(NAMES)
    assert (seen[0], seen[-1]) == (b"1", b"2")
    left = list(tmp_path.glob(".results-*.part"))
    assert left  # some were killed half-way
    for path in left:
        os.utime(path, (1e9, 1e9))
    write_folder(tmp_path / "results", files(tmp_path))
    assert state(tmp_path) == "fresh"
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_killed_between_the_two_renames(folder):
    """The old folder is aside and no new one is there: whoever looks or writes next meets the old one, whole."""
    out = folder / "results"
    write_folder(out, files(folder))
    out.rename(folder / ".results-0123456789abcdef.old")
    assert state(folder) == "fresh"
    out.rename(folder / ".results-0123456789abcdef.old")
    (out.parent / ".results-0000000000000000.old").mkdir()
    os.utime(out.parent / ".results-0000000000000000.old", (1e9, 1e9))  # older: replaced before, and not yet removed
    assert state(folder) == "fresh"
    assert versions(folder) == {b"1"}
    out.rename(folder / ".results-0123456789abcdef.old")
    write_folder(out, files(folder, "2"))
    assert versions(folder) == {b"2"}
    assert not list(folder.glob(".results*"))


def test_a_new_folder_that_cannot_take_its_place_leaves_the_old_one(folder, monkeypatch):
    write_folder(folder / "results", files(folder))
    kind = type(folder)
    real = kind.rename

    def rename(path, target):
        if path.parent.suffix == ".part":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, target)

    monkeypatch.setattr(kind, "rename", rename)
    with pytest.raises(ResultsError, match=r"Permission denied.*what was there is unchanged"):
        write_folder(folder / "results", files(folder, "2"))
    old_results_are_whole(folder)


def test_killed_where_the_folder_must_stay_a_mixture_is_called_damaged(tmp_path, monkeypatch):
    """At every call on a file: what is not of one version is never called fresh, and the next run mends it."""
    in_place(monkeypatch)
    mixed = 0
    with writers(tmp_path, "in place") as start:
        for step in count(1):
            ended = start(step) == 0
            seen = versions(tmp_path)
            assert state(tmp_path) in (("fresh", "damaged") if len(seen) == 1 else ("damaged",))
            mixed += len(seen) > 1
            for path in (tmp_path / "results").glob(".results-*.part"):
                os.utime(path, (1e9, 1e9))  # long ago
            write_folder(tmp_path / "results", files(tmp_path))
            assert state(tmp_path) == "fresh"
            if ended:
                break
    assert mixed  # or this test has seen nothing


def test_two_at_once_and_a_reader_that_sees_no_mixture(tmp_path):
    with writers(tmp_path, "by renames") as start:
        both, deadline, seen = [start(), start()], time.monotonic() + 1.5, set()
        while time.monotonic() < deadline:
            with suppress(FileNotFoundError):  # between two renames; or it became the old one, and is being removed
                with opened(tmp_path / "results") as place:  # a reader keeps the folder that it opened
                    read = {first_byte(name, place) for name in NAMES[:4]}
                assert len(read) == 1
                seen |= read
        for process in both:
            os.kill(process, signal.SIGKILL)  # fails where it has ended by itself
    assert seen == {b"1", b"2"}
    assert state(tmp_path) == "fresh"
    assert len(versions(tmp_path)) == 1


@contextmanager
def opened(folder):
    place = os.open(folder, os.O_RDONLY)
    try:
        yield place
    finally:
        os.close(place)


def first_byte(name, folder):
    with open(os.open(name, os.O_RDONLY, dir_fd=folder), "rb") as file:
        return file.read(1)


SMALL_DISK = """
set -e
mount -t tmpfs -o size={size}k tmpfs "{place}"
cp -r "{folder}" "{place}/campaign"
{options}
set +e
"{python}" -m cordlab.cli analyse "{place}/campaign" --quiet
echo "exit $?"
ls -A "{place}/campaign"
"""


def on_a_small_disk(folder, tmp_path, *, size, options=""):
    """`cordlab analyse` of a campaign on a disk of its own, in a mount namespace that ends with the process."""
    place = tmp_path / "disk"
    place.mkdir()
    script = SMALL_DISK.format(size=size, place=place, folder=folder, python=sys.executable, options=options)
    own = ["unshare", "--map-root-user", "--mount"] if sys.platform == "linux" else []
    if not own or subprocess.run([*own, "mount", "-t", "tmpfs", "tmpfs", str(place)], capture_output=True).returncode:
        pytest.skip("no disk of a chosen size can be mounted here")
    return subprocess.run([*own, "sh", "-c", script], capture_output=True, text=True, timeout=120)


@pytest.fixture(scope="module")
def cheap(tmp_path_factory):
    """An invented campaign of one cord without records: not rated, and the answer takes two seconds."""
    place = tmp_path_factory.mktemp("cheap")
    cordlab.invent(place / "campaign", truth=place / "truth.json", **SMALL | {"cords": 1})
    return place / "campaign"


def test_a_full_disk(cheap, tmp_path):
    """A real one, of 100 KB: the files do not fit."""
    done = on_a_small_disk(cheap, tmp_path, size=100)
    assert done.stdout == f"exit 2\n{chr(10).join(sorted(os.listdir(cheap)))}\n"  # no results, and nothing left behind
    assert "results: cannot be written: No space left on device" in done.stderr
    assert done.stderr.rstrip().endswith("what was there is unchanged")


def test_a_folder_that_is_closed(cheap, tmp_path):
    done = on_a_small_disk(
        cheap, tmp_path, size=4000, options='mount -o remount,ro "{place}"'.format(place=tmp_path / "disk")
    )
    assert done.stdout.startswith("exit 2\n")
    assert "results: cannot be written: Read-only file system" in done.stderr
    assert "Traceback" not in done.stderr


def old_results_are_whole(folder):
    assert state(folder) == "fresh"
    assert versions(folder) == {b"1"}
    assert not list(folder.glob(".results*"))


@pytest.mark.parametrize("after", range(0, 8, 2))
@pytest.mark.parametrize(
    ("error", "refusal"),
    [(OSError(28, "No space left on device"), ResultsError), (KeyboardInterrupt(), KeyboardInterrupt)],
)
def test_a_full_disk_or_ctrl_c_at_any_file_leaves_what_was_there(folder, monkeypatch, after, error, refusal):
    """Raised while each second file is written: the old results are whole, and no hidden folder is left."""
    write_folder(folder / "results", files(folder))
    kind = type(folder)
    real, count, contents = kind.write_bytes, iter(range(100)), files(folder, "2")

    def write(path, data):
        if next(count) == after:
            raise error
        return real(path, data)

    monkeypatch.setattr(kind, "write_bytes", write)
    with pytest.raises(refusal, match=error.args[-1] if error.args else None):
        write_folder(folder / "results", contents)
    old_results_are_whole(folder)


def test_killed_command_leaves_the_old_results_and_the_next_run_works(cheap):
    """SIGKILL of `cordlab analyse` the moment that it begins to write; `tests.coverage kills` has 50 moments."""
    assert cli.main(["analyse", str(cheap), "--quiet"]) in (0, 1)
    before = (cheap / "results" / MANIFEST).read_bytes()
    process = subprocess.Popen([sys.executable, "-m", "cordlab.cli", "analyse", str(cheap), "--quiet"])
    deadline = time.monotonic() + 60
    while not list(cheap.glob(".results-*")) and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.001)
    process.send_signal(signal.SIGKILL)
    process.wait(60)
    assert results_state(cheap).state == "fresh"
    assert (cheap / "results" / MANIFEST).read_bytes() == before  # the same inputs give the same bytes, old or new
    assert cli.main(["analyse", str(cheap), "--quiet"]) in (0, 1)
    assert results_state(cheap).state == "fresh"


def test_a_campaign_that_changes_while_it_is_read_is_refused(cheap, tmp_path):
    """A row added to breaks.csv, a new jump log: between reading and the answer, whichever step would miss it."""
    campaign = read_campaign(cheap)
    assert changes(cheap, campaign.digests) == ()
    old = dataclasses.replace(campaign, digests=campaign.digests | {"breaks.csv": "0" * 64, "pulls.csv": "1" * 64})
    with pytest.raises(CampaignError) as refused:
        cordlab.analyse(old)
    assert refused.value.problems == (
        "breaks.csv has changed while the campaign was read; analyse it again",
        "pulls.csv is gone, or cannot be read while the campaign was read; analyse it again",
    )


def test_check_and_report_name_stale_results(cheap, capsys):
    assert cli.main(["analyse", str(cheap), "--quiet"]) in (0, 1)
    capsys.readouterr()
    cli.main(["check", str(cheap)])
    assert f"{cheap / 'results'} is fresh\n" in capsys.readouterr().out
    edit(cheap, "campaign.toml", ('title = "', 'title = "Another '))
    cli.main(["check", str(cheap)])
    assert "results is stale, analyse again; campaign.toml has changed\n" in capsys.readouterr().out
    cli.main(["check", str(cheap), "--json"])
    assert json.loads(capsys.readouterr().out)["results"] == {
        "state": "stale",
        "reasons": ["campaign.toml has changed"],
    }
    cli.main(["report", str(cheap)])
    assert "results was stale and is written anew: campaign.toml has changed\n" in capsys.readouterr().err
    assert results_state(cheap).state == "fresh"


def test_ctrl_c_leaves_the_old_results_whole(cheap):
    """In the middle of an analysis: exit 130, one line."""
    assert cli.main(["analyse", str(cheap), "--quiet"]) in (0, 1)
    before = (cheap / "results" / MANIFEST).read_bytes()
    with interruptible("analyse", str(cheap), "--quiet") as process:
        time.sleep(1.0)
        os.killpg(process.pid, signal.SIGINT)
        assert process.wait(60) == 130
        assert process.stderr.read() == b"interrupted: nothing more is written\n"
    assert results_state(cheap).state == "fresh"
    assert (cheap / "results" / MANIFEST).read_bytes() == before


# --- what others put there


OURS = {"results.json": b"{}", "report.html": b"1", "figures/a.svg": b"1"}


def everything(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def lay_bag(folder):
    """A bag of RFC 8493 (The BagIt File Packaging Format), section 2.1.3: its manifest has that name and format."""
    (folder / "data").mkdir(parents=True)
    (folder / "data" / "thesis.txt").write_bytes(b"years")
    digest = hashlib.sha256(b"years").hexdigest()
    (folder / "manifest-sha256.txt").write_text(f"{digest}  data/thesis.txt\n", encoding="utf-8")


def lay_foreign_results(folder):
    folder.mkdir()
    (folder / "results.json").write_bytes(b'{"of": "another program"}')


def lay_results_of_before(folder):
    """Of a cordlab whose manifest did not have its name."""
    write_folder(folder, OURS)
    rows = (folder / MANIFEST).read_text(encoding="utf-8").splitlines(keepends=True)[1:]
    (folder / MANIFEST).unlink()
    (folder / "manifest-sha256.txt").write_text("".join(rows), encoding="utf-8")


def lay_foreign_manifest(folder):
    folder.mkdir()
    (folder / MANIFEST).write_bytes(f"{hashlib.sha256(b'years').hexdigest()}  thesis.txt\n".encode())
    (folder / "thesis.txt").write_bytes(b"years")


@pytest.mark.parametrize("stays", [False, True])
@pytest.mark.parametrize("lay", [lay_bag, lay_foreign_results, lay_results_of_before, lay_foreign_manifest])
def test_a_folder_that_cordlab_did_not_write_is_refused_as_it_is(tmp_path, monkeypatch, lay, stays):
    if stays:
        in_place(monkeypatch)
    lay(tmp_path / "out")
    before = everything(tmp_path)
    with pytest.raises(ResultsError, match=r"no results that this cordlab wrote; move it away, or choose a new or an"):
        write_folder(tmp_path / "out", OURS)
    assert everything(tmp_path) == before


@pytest.mark.parametrize("stays", [False, True])
def test_a_file_that_was_changed_since_is_not_replaced_and_is_named(tmp_path, monkeypatch, stays):
    if stays:
        in_place(monkeypatch)
    out = write_folder(tmp_path / "out", OURS | {"report.pdf": b"1"})
    (out / "report.pdf").write_bytes(b"signed")  # is not written again
    write_folder(out, OURS)
    assert everything(out).pop("report.pdf") == b"signed"
    (out / "report.html").write_bytes(b"with a remark")
    before = everything(tmp_path)
    with pytest.raises(ResultsError, match=r"'report.html' is not as cordlab wrote it, and is not replaced"):
        write_folder(out, OURS)
    assert everything(tmp_path) == before


@pytest.mark.parametrize("name", ["report.html", "figures", "figures/a.svg/b", MANIFEST])
def test_links_and_folders_in_the_way_are_refused(tmp_path, name):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "a.svg").write_bytes(b"mine")
    out = write_folder(tmp_path / "out", {"results.json": b"{}"})
    (out / name).unlink(missing_ok=True)
    (out / name).parent.mkdir(parents=True, exist_ok=True)
    (out / name).symlink_to(elsewhere)
    with pytest.raises(ResultsError, match=r"not as cordlab wrote it|no results that this cordlab wrote"):
        write_folder(out, OURS)
    assert (out / name).is_symlink()
    assert everything(elsewhere) == {"a.svg": b"mine"}


@pytest.mark.parametrize("stays", [False, True])
def test_a_manifest_cannot_name_files_outside(tmp_path, monkeypatch, stays):
    """A campaign that somebody sent, with results whose list names files of mine."""
    if stays:
        in_place(monkeypatch)
    (tmp_path / "mine.txt").write_bytes(b"mine")
    out = write_folder(tmp_path / "out", OURS)
    names = ("../mine.txt", str(tmp_path / "mine.txt"), "figures/../../mine.txt", "./a", "a//b")
    rows = "".join(f"{hashlib.sha256(b'mine').hexdigest()}  {name}\n" for name in names)
    (out / MANIFEST).write_text((out / MANIFEST).read_text(encoding="utf-8") + rows, encoding="utf-8")
    assert len(results.read_manifest(out)) == len(OURS)
    write_folder(out, {"results.json": b"{}"})
    assert (tmp_path / "mine.txt").read_bytes() == b"mine"
    assert sorted(everything(out)) == [MANIFEST, "results.json"]


def test_what_comes_between_the_check_and_the_renames_is_kept_too(tmp_path, monkeypatch):
    """Somebody saves a remark in the report, and a note beside it, while the new results are being written."""
    out = write_folder(tmp_path / "out", OURS)
    check = results.check_place

    def checked(*given):
        check(*given)
        (out / "report.html").write_bytes(b"with a remark")
        (out / "notes").mkdir()
        (out / "notes" / "a.txt").write_bytes(b"a note")

    monkeypatch.setattr(results, "check_place", checked)
    write_folder(out, OURS)
    (kept,) = (name for name in everything(out) if re.fullmatch(r"report\.html\.[0-9a-f]{8}", name))
    assert everything(out) == everything(out) | OURS | {"notes/a.txt": b"a note", kept: b"with a remark"}
    assert os.listdir(tmp_path) == ["out"]


def test_foreign_files_are_not_copied_whatever_they_are(tmp_path):
    """A FIFO, a link to nowhere, a folder without permissions: they stay where they are."""
    out = write_folder(tmp_path / "out", OURS)
    os.mkfifo(out / "fifo")
    (out / "link").symlink_to("nowhere")
    (out / "empty").mkdir()
    write_folder(out, OURS)
    assert {"fifo", "link", "empty"} < set(os.listdir(out))
    assert (out / "link").readlink().name == "nowhere"


def test_hidden_folders_of_others_are_not_taken_for_leavings(tmp_path):
    for name in (".out-2024.old", ".out-mine.part", ".out-backup-of-june.gone"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "thesis.txt").write_bytes(b"years")
        os.utime(tmp_path / name, (1e9, 1e9))
    write_folder(tmp_path / "out", OURS)
    write_folder(tmp_path / "out", OURS)
    assert len(list(tmp_path.glob(".out-*/thesis.txt"))) == 3


def test_the_command_names_what_stays_and_refuses_before_it_analyses(cheap, tmp_path, capsys, monkeypatch):
    out = tmp_path / "out"
    assert cli.main(["analyse", str(cheap), "--out", str(out), "--quiet"]) in (0, 1)
    (out / "signed.pdf").write_bytes(b"signed")
    cli.main(["analyse", str(cheap), "--out", str(out)])
    assert "stays, cordlab did not write it: signed.pdf" in capsys.readouterr().err
    (out / "report.html").write_bytes(b"with a remark")
    monkeypatch.setattr(cordlab, "analyse", None)
    assert cli.main(["report", str(cheap), "--out", str(out)]) == 2
    assert "'report.html' is not as cordlab wrote it" in capsys.readouterr().err
    assert (out / "report.html").read_bytes() == b"with a remark"


def test_a_report_is_made_of_listed_files_alone_and_no_link(cheap, tmp_path, capsys):
    out = tmp_path / "out"
    cli.main(["analyse", str(cheap), "--out", str(out), "--quiet"])
    before = (out / "report.html").read_bytes()
    secret = tmp_path / "secret.svg"
    secret.write_text("<svg><script>alert(1)</script></svg>", encoding="utf-8")
    (out / "figures" / "curves.svg").write_bytes(secret.read_bytes())
    (out / "figures" / "wear.svg").symlink_to(secret)
    cli.main(["report", str(cheap), "--out", str(out)])
    assert "undamaged, and by their own word of these inputs" in capsys.readouterr().out
    assert (out / "report.html").read_bytes() == before
    listed = next(name for name, _ in results.read_manifest(out) if name.endswith(".svg"))
    shutil.move(out / listed, tmp_path / "moved.svg")
    (out / listed).symlink_to(tmp_path / "moved.svg")
    assert results_state(cheap, results=out).reasons == (f"{listed} is missing, no file, or too large",)
