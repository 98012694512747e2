"""The command line: a thin skin over the public functions.

Exit codes: 0 done; 1 done, and the answer is no (not rated, do not drop); 2 bad input, nothing written; 130
interrupted.
Answers go to stdout, problems and progress to stderr.
"""

import argparse
import json
import os
import sys
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isfinite, isnan
from pathlib import Path
from typing import TYPE_CHECKING

from cordlab import __version__
from cordlab.campaign.files import CampaignError
from cordlab.quantities import QUANTITIES

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign
    from cordlab.rating.rate import Rating
    from cordlab.units import Progress

DONE, NO, BAD_INPUT, INTERRUPTED, PIPE_CLOSED = 0, 1, 2, 130, 141
EVERY = 4  # kg between the rows of the printed table


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(threads, "1")  # many small arrays: more threads would only wait for one another
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that knows no λ shows a question mark
    try:
        options = _parser().parse_args(arguments)
        code = options.command(options)
        sys.stdout.flush()
    except KeyboardInterrupt:
        print("interrupted: nothing more is written", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output has gone, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except ImportError as error:
        if not isinstance(error.__cause__, ImportError):
            raise
        return _refuse([str(error)])  # an extra that is not installed, and how to
    except CampaignError as error:
        return _refuse(error.problems)
    except (OSError, ValueError) as error:
        file = getattr(error, "filename", None)
        return _refuse([f"{file}: {error.strerror}" if isinstance(error, OSError) and file else str(error)])
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="cordlab",
        description="From drops of dead weights on jump cords to a rated body-mass range. It certifies nothing.",
        epilog="exit code: 0 done; 1 done, and the answer is no; 2 bad input, nothing written",
    )
    parser.add_argument("--version", action="version", version=f"cordlab {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(function: Callable[[argparse.Namespace], int], help: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(function.__name__, help=help, description=help)
        if function is fleet:
            sub.add_argument("folders", metavar="FOLDER", type=Path, nargs="+", help="the campaigns' folders")
        else:
            sub.add_argument("folder", metavar="FOLDER", type=Path, help="the campaign's folder")
        sub.add_argument("--json", action="store_true", help="print the answer as JSON")
        sub.add_argument("--quiet", action="store_true", help="print no text and no progress, only problems")
        text = "lb and ft beside kg and m, in text and report (default: where the campaign's masses are in pounds)"
        sub.add_argument("--pounds-and-feet", action=argparse.BooleanOptionalAction, help=text)
        sub.set_defaults(command=function)
        return sub

    command(check, "read a campaign, calibrate, reduce its records, and name every problem")
    sub = command(analyse, "rate the cords of a campaign: prints the answer, writes results, report and figures")
    sub.add_argument("--cord", metavar="NAME", help="rate this very cord, from its own drops alone")
    sub.add_argument("--out", metavar="DIR", type=Path, help="where the results go (default: FOLDER/results)")
    sub = command(report, "write the report, from results that are of these inputs or else from a new analysis")
    sub.add_argument("--out", metavar="DIR", type=Path, help="where the results go (default: FOLDER/results)")
    sub.add_argument("--pdf", action="store_true", help="also write report.pdf (needs WeasyPrint)")
    sub = command(notebooks, "run the notebooks 01 to 10 on a campaign and keep the executed copies")
    sub.add_argument("--out", metavar="DIR", type=Path, help="where they go (default: FOLDER/results/notebooks)")
    sub = command(publish, "put a campaign and its results into one file that a reviewer can re-run")
    sub.add_argument("bundle", metavar="BUNDLE.zip", type=Path)
    sub.add_argument("--author", required=True, help="who publishes")
    sub.add_argument("--licence", required=True, help="name or address of the licence")
    sub.add_argument("--date", required=True, help="day of publication, such as 2026-05-04")
    text = "an executed notebook (default: those beside the results, where they are fresh)"
    sub.add_argument("--notebook", metavar="FILE", type=Path, action="append", default=[], help=text)
    sub.add_argument("--notebooks", action="store_true", help="first run the notebooks, to put them in")
    sub.add_argument("--pdf", action="store_true", help="the report as PDF too (needs WeasyPrint)")
    sub.add_argument("--report-only", action="store_true", help="the report alone, which nobody can re-run")
    sub = command(recheck, "re-run a published bundle and compare every number")
    text = "compare two bundles, or two results.json, instead"
    sub.add_argument("other", metavar="OTHER", type=Path, nargs="?", help=text)
    sub = command(ladder, "say whether the next test mass may be dropped, and on which cord")
    sub.add_argument("--cord", metavar="NAME", help="the cord that is dropped next (default: any cord of the campaign)")
    text = "the mass asked for, hung below the cord's end, in kg or as '132 lb' (default: the next one of the plan)"
    sub.add_argument("--mass", type=_mass, help=text)
    sub = command(invent, "write an invented campaign, and the truth about it outside its folder")
    sub.add_argument("--seed", type=int, default=20, help="the same seed writes the same files (default: 20)")
    sub.add_argument("--truth", metavar="FILE", type=Path, help="the truth file (default: truth.json beside FOLDER)")
    text = "what moves the mass in the invented world (default: waves, as in a real cord; uniform is quicker)"
    sub.add_argument("--mechanics", choices=("uniform", "waves"), default="waves", help=text)
    sub.add_argument("--cords", type=int, help="how many cords are dropped")
    sub.add_argument("--no-records", action="store_true", help="lowest points alone, no load-cell and distance records")
    sub = command(fleet, "analyse many campaigns on dask, and write one table with a row for each")
    sub.add_argument("--scheduler", metavar="ADDRESS", default="local", help="of a dask scheduler (default: local)")
    sub.add_argument("--workers", type=int, help="processes of a local fleet (default: one a processor)")
    sub.add_argument("--out", metavar="TABLE", type=Path, default=Path("fleet.csv"), help=".csv or .parquet")
    return parser


def fleet(options: argparse.Namespace) -> int:
    from cordlab.fleet import run_fleet

    done = run_fleet(
        options.folders,
        options.out,
        scheduler=options.scheduler,
        workers=options.workers,
        progress=_progress(options),
    )
    facts = {"table": str(done.path), "kept": done.kept, "rows": list(done.rows)}
    return _answer(options, facts, done.summary(), yes=done.rated == len(done.rows))


def check(options: argparse.Namespace) -> int:
    from cordlab.analysis import Analysis
    from cordlab.batch.findings import alike, campaign_findings
    from cordlab.batch.slow_pulls import read_pulls
    from cordlab.campaign.decisions import LEFT_OUT
    from cordlab.campaign.jump_log import read_jump_log
    from cordlab.records.reduce import notes_on
    from cordlab.report.results_folder import results_state

    campaign = _campaign(options)
    read_jump_log(campaign.folder)
    read_pulls(campaign)
    drops = Analysis(campaign, _progress(options)).drops
    findings, notes = campaign_findings(campaign, drops), [*campaign.notes, *notes_on(drops)]
    state = results_state(campaign)
    facts = {
        "title": campaign.title,
        "batch": campaign.batch,
        "sha256": campaign.sha256,
        "cords": len(campaign.cords),
        "drops": {use: count for use, count in campaign.uses.items() if count or use != LEFT_OUT},
        "records": sum(drop.record is not None for drop in campaign.drops),
        "breaks": len(campaign.breaks),
        "notes": notes,
        "findings": [finding.to_dict() for finding in findings],
        "results": {"state": state.state, "reasons": list(state.reasons)},
    }
    counted = ", ".join(f"{count} {use}" for use, count in campaign.uses.items() if count) or "no drop yet"
    text = [
        f"{campaign.title} · {campaign.batch}",
        f"{facts['cords']} cords, drops: {counted}; {facts['records']} records, {facts['breaks']} break tests",
        *(f"note: {note}" for note in notes),
        *(f"finding: {finding}" for finding in alike(findings)),
        *([] if state.state == "missing" else [state.summary()]),
        "nothing is refused; see what is said above" if notes or findings else "no problem found",
    ]
    return _answer(options, facts, "\n".join(text))


def analyse(options: argparse.Namespace) -> int:
    from cordlab.analysis import STANDING

    analysis, out = _analysed(options)
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    text = "\n".join([_result(analysis, options), "", f"written: {out}", "", *STANDING])
    return _answer(options, results, text, yes=analysis.rating.rated)


def report(options: argparse.Namespace) -> int:
    from cordlab.report.page import render_again
    from cordlab.report.results_folder import results_state

    out, state = options.out, results_state(_campaign(options), results=options.out)
    if state.state == "fresh":
        out = state.path
        rated = render_again(out, second_units=options.pounds_and_feet, with_pdf=options.pdf)["rating"]["rated"]
        how = "from the results that are there: they are of these very inputs, by this cordlab"
    else:
        analysis, out = _analysed(options, with_pdf=options.pdf)
        rated, how = analysis.rating.rated, "from a new analysis"
    pages = [str(out / name) for name in ("report.html", *(["report.pdf"] if options.pdf else []))]
    text = "\n".join([*(f"written: {page}" for page in pages), how])
    return _answer(options, {"report": pages, "from": how}, text, yes=rated)


def _mass(text: str) -> float:
    """A mass on the command line [kg]."""
    from cordlab.units import parse_measured

    try:
        return float(text)
    except ValueError:
        return parse_measured(text, "kg").value


def _campaign(options: argparse.Namespace) -> "Campaign":
    from cordlab.campaign.campaign import read_campaign

    campaign = read_campaign(options.folder, progress=_progress(options))
    if options.pounds_and_feet is None:
        options.pounds_and_feet = campaign.pounds_and_feet
    return campaign


def _analysed(options: argparse.Namespace, *, with_pdf: bool = False) -> "tuple[Analysis, Path]":
    """The analysis of a campaign, and the folder that its results were written to."""
    from cordlab.analysis import analyse
    from cordlab.report.page import write_results
    from cordlab.report.results_folder import results_state

    campaign = _campaign(options)
    if getattr(options, "cord", None) is not None:
        campaign = campaign.of_cord(options.cord)
    out = options.out or campaign.folder / "results"
    before = results_state(campaign, results=out)
    analysis = analyse(campaign, progress=_progress(options))
    written = write_results(analysis, out, second_units=options.pounds_and_feet, with_pdf=with_pdf)
    if before.state in ("stale", "damaged"):
        _note(options, f"{before.path} was {before.state} and is written anew: {'; '.join(before.reasons)}")
    return analysis, written


def notebooks(options: argparse.Namespace) -> int:
    from cordlab.notebook.run import folder_of, run_series

    campaign = _campaign(options)
    runs = run_series(campaign, out=options.out, progress=_progress(options))
    place = options.out or folder_of(campaign)
    facts = [{"notebook": run.name, "stopped": run.stopped, "failed": run.failed} for run in runs]
    text = "\n".join([*(run.summary() for run in runs), f"written: {place}"])
    return _answer(options, {"folder": str(place), "notebooks": facts}, text, yes=not any(run.failed for run in runs))


def publish(options: argparse.Namespace) -> int:
    from cordlab.analysis import analyse
    from cordlab.bundle.publish import publish
    from cordlab.notebook.run import executed, run_series
    from cordlab.report.results_folder import results_state

    campaign = _campaign(options)
    analysis = analyse(campaign, progress=_progress(options))
    if options.notebooks:
        runs = run_series(campaign, progress=_progress(options))
        if failed := [run.summary() for run in runs if run.failed]:
            return _refuse(failed)
    notebooks, stale = (options.notebook, ()) if options.notebook else executed(campaign)
    bundle = publish(
        options.folder,
        options.bundle,
        analysis=analysis,
        licence=options.licence,
        author=options.author,
        date=options.date,
        notebooks=notebooks,
        pdf=options.pdf,
        report_only=options.report_only,
        second_units=options.pounds_and_feet,
    )
    state = results_state(campaign)
    if state.state in ("stale", "damaged"):
        _note(options, f"{state.summary()}; the bundle holds the analysis made now")
    facts = {"bundle": str(bundle.path), "sha256": bundle.sha256, "files": len(bundle.files)}
    text = bundle.summary()
    if stale and not options.report_only:
        text += f"\nthe executed notebooks were left out: {'; '.join(stale)}"
    return _answer(options, facts, text)


def recheck(options: argparse.Namespace) -> int:
    from cordlab.bundle.recheck import recheck, versus

    if options.other is None:
        checked = recheck(options.folder, progress=_progress(options))
        return _answer(options, checked.to_dict(), checked.summary(), yes=checked.agrees)
    compared = versus(options.folder, options.other)
    return _answer(options, compared.to_dict(), compared.summary(), yes=compared.agrees)


def ladder(options: argparse.Namespace) -> int:
    from cordlab.rating.ladder import next_mass

    rung = next_mass(_campaign(options), cord=options.cord, mass=options.mass)
    return _answer(options, rung.to_dict(), rung.summary(), yes=rung.allowed)


def invent(options: argparse.Namespace) -> int:
    from cordlab.synthetic import invent

    numbers = {"mechanics": options.mechanics, "records": not options.no_records}
    if options.cords is not None:
        numbers["cords"] = options.cords
    truth = invent(options.folder, seed=options.seed, truth=options.truth, progress=_progress(options), **numbers)
    text = f"invented campaign: {options.folder}\nthe truth about it:  {truth}"
    return _answer(options, {"folder": str(options.folder), "truth": str(truth)}, text)


def _result(analysis: "Analysis", options: argparse.Namespace) -> str:
    """The result as text: the answer, what is odd, limits by mass, what else is known, cautions of this campaign."""
    from cordlab.analysis import CAUTIONS
    from cordlab.batch.findings import alike

    headline, *rest = analysis.rating.summary().splitlines()
    findings = [f"  finding: {finding}" for finding in alike(analysis.findings) if not finding.stops]
    answer = "\n".join([headline, *findings, *rest]) + _table(analysis.rating, pounds=options.pounds_and_feet)
    parts = [part.summary() for part in (analysis.validation, analysis.lot, analysis.wear) if part is not None]
    remarks = [f"in service, {status.summary()}" for status in analysis.in_service]
    remarks += [f"caution: {caution}" for caution in analysis.cautions if caution not in CAUTIONS]
    title = f"{analysis.campaign.title} · {analysis.campaign.batch}"
    return "\n\n".join([title, answer, *parts, "\n".join(remarks)])


def _table(rating: "Rating", *, pounds: bool | None = False) -> str:
    """Predictions at every fourth kilogram and at both ends, limits to the safe side; "" where there are none."""
    if not rating.predictions:
        return ""
    import pandas as pd

    from cordlab.report.rounding import SECOND
    from cordlab.units import convert

    table = rating.table().reset_index()
    shown = table[(table["rider mass [kg]"] % EVERY == 0) | table.index.isin([0, len(table) - 1])]
    columns = [("rider", "rider mass [kg]", "kg", 1, ""), ("estimate", "lowest point [m]", "m", 2, "")]
    for row in QUANTITIES.values():
        columns.append((row.word, f"{row.word} limit [{row.unit or 1}]", row.unit, row.decimals, row.danger))
    cells = {}
    for word, head, unit, decimals, side in columns:
        values = shown[head].to_numpy()
        if pounds and unit in SECOND:
            values, unit = convert(values, unit, SECOND[unit]), SECOND[unit]
            decimals = min(decimals, 1)
        cells[f"{word} {unit}".rstrip()] = [_cell(value, decimals, side) for value in values]
    rated = [_verdict(*row, above=rating.reasons) for row in zip(shown["rated"], shown["reason"], strict=True)]
    lines = pd.DataFrame(cells).to_string(index=False).splitlines()
    lines = [f"{line}  {word}" for line, word in zip(lines, ["rated", *rated], strict=True)]
    return "\n".join(["", "", "estimate of the lowest point; the other columns are limits", *lines])


def _verdict(rated: bool, reason: str, *, above: Sequence[str]) -> str:
    """Whether a mass is rated; what speaks against all masses stands above the table."""
    if rated:
        return "yes"
    for everywhere in above:
        reason = reason.replace(f"; {everywhere}", "").replace(everywhere, "")
    return f"no: {reason}" if reason else "no, see above"


def _cell(value: float, decimals: int, side: str) -> str:
    from cordlab.units import fixed

    if isfinite(value):
        return fixed(value, decimals, side)
    return "–" if isnan(value) else f"{value:g}"


def _progress(options: argparse.Namespace) -> "Progress":
    """A bar on stderr for what takes over a second; none where nobody would see it."""
    if options.quiet or not sys.stderr.isatty():
        from cordlab.units import unwatched

        return unwatched
    from functools import partial

    from tqdm import tqdm

    return partial(tqdm, file=sys.stderr, delay=1, leave=False)


def _answer(options: argparse.Namespace, facts: Mapping[str, object], text: str, *, yes: bool = True) -> int:
    """Prints the answer as text or as JSON; the exit code says whether it is yes."""
    if options.json:
        print(json.dumps(facts, indent=1, allow_nan=False))  # ASCII, so that no terminal changes it
    elif not options.quiet:
        if options.pounds_and_feet:
            from cordlab.report.rounding import in_pounds_and_feet

            text = in_pounds_and_feet(text)
        for line in text.splitlines():
            print(_plain(line))
    return DONE if yes else NO


def _note(options: argparse.Namespace, note: str) -> None:
    if not options.quiet:
        print(_plain(note), file=sys.stderr)


def _refuse(problems: Iterable[str]) -> int:
    sys.stdout.flush()
    for problem in problems:
        print(_plain(problem), file=sys.stderr)
    return BAD_INPUT


def _plain(text: str) -> str:
    """One line of text without control and format characters: names in a file may try to command the terminal."""
    return "".join(" " if c.isspace() else c for c in text if c.isspace() or unicodedata.category(c)[0] != "C")


if __name__ == "__main__":
    sys.exit(main())
