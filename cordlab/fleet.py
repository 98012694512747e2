"""Many campaigns on dask.distributed: one campaign a task, one row a campaign whatever became of it, one table."""

import logging
import os
import signal
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from multiprocessing import resource_tracker
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from cordlab import __version__
from cordlab.analysis import analyse
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.campaign.files import replacing
from cordlab.units import Progress, rounded_ends, unwatched

if TYPE_CHECKING:
    from distributed import Client

COLUMNS = {
    **dict.fromkeys(("campaign", "title", "batch", "sha256", "cordlab"), "string"),
    "rated": "boolean",
    **dict.fromkeys(("lightest [kg]", "heaviest [kg]"), "Float64"),
    **dict.fromkeys(("governed by, light", "governed by, heavy", "reasons"), "string"),
    "lot issued": "boolean",
    **dict.fromkeys(("retire at", "next retest"), "Int64"),
    "problems": "string",
}
"""Of the table; blank where there is nothing to say. `rated` is blank where a campaign failed: see `problems`."""

TEXTS = [name for name, kind in COLUMNS.items() if kind == "string"]
FORMULA = r"^(?=['=+\-@\t\r\n＝＋－＠])"
"""Beginning of a text that a spreadsheet may take for a formula, or that is quoted: an apostrophe goes before it."""

EVERY = 2.0  # seconds between two writings of the table, at the least
Row = dict[str, Any]


class FleetError(ValueError):
    """A fleet that cannot be started; the message says why."""


@dataclass(frozen=True)
class Fleet:
    """The table of a fleet: a row a campaign, in the order asked for; `kept` rows came from before."""

    path: Path
    rows: tuple[Row, ...]
    kept: int

    @property
    def rated(self) -> int:
        return sum(row["rated"] is True for row in self.rows)

    @property
    def failed(self) -> tuple[Row, ...]:
        return tuple(row for row in self.rows if row["rated"] is None)

    def summary(self) -> str:
        no = len(self.rows) - self.rated - len(self.failed)
        head = f"{len(self.rows)} campaigns: {self.rated} rated, {no} not rated, {len(self.failed)} failed"
        failed = [f"failed: {row['campaign']}: {row['problems']}" for row in self.failed]
        return "\n".join([f"{head}; {self.kept} were done before", *failed, f"written: {self.path}"])


def outcome(folder: str, version: str = __version__, before: Mapping[str, Any] | None = None) -> tuple[Row, bool]:
    """The row of one campaign, by a worker with the same folder, and whether it is the one of `before`: of the same
    inputs by the same cordlab. Raises nothing: what goes wrong is in the row."""
    row: Row = dict.fromkeys(COLUMNS) | {"campaign": folder, "cordlab": __version__}
    try:
        if version != __version__:
            raise FleetError(f"this worker has cordlab {__version__}, not {version}; install the same everywhere")
        campaign = read_campaign(folder)
        row |= {"title": campaign.title, "batch": campaign.batch, "sha256": campaign.sha256}
        if before and before["rated"] is not None and (before["sha256"], before["cordlab"]) == (row["sha256"], version):
            return dict(before), True
        analysis = analyse(campaign)
        rating, lot, wear = analysis.rating, analysis.lot, analysis.wear
        lightest, heaviest = map(float, rounded_ends(*rating.ends)) if rating.ends else (None, None)
        return row | {
            "rated": bool(rating.rated),
            "lightest [kg]": lightest,
            "heaviest [kg]": heaviest,
            "governed by, light": rating.governed_by["light"],
            "governed by, heavy": rating.governed_by["heavy"],
            "reasons": " | ".join(rating.reasons) or None,
            "lot issued": None if lot is None else bool(lot.issued),
            "retire at": wear and wear.retire_at,
            "next retest": wear and wear.next_retest,
        }, False
    except CampaignError as error:
        return row | {"problems": " | ".join(error.problems)}, False
    except Exception as error:  # whatever it is, it stops this campaign alone, and is in the row
        return row | {"problems": f"{type(error).__name__}: {error}"}, False


def run_fleet(
    folders: Sequence[str | Path],
    table: str | Path,
    *,
    scheduler: str = "local",  # or the address of a dask scheduler that is trusted
    workers: int | None = None,
    progress: Progress = unwatched,
) -> Fleet:
    """Analyse every campaign that the table does not hold as it is now, and write the table as the answers come in."""
    path = Path(table)
    if path.suffix not in (".csv", ".parquet"):
        raise FleetError(f"{path}: a table ends in .csv or .parquet")
    if path.suffix == ".parquet":
        try:
            import pyarrow.parquet  # noqa: F401
        except ImportError as error:
            raise ImportError("a .parquet table needs pyarrow: pip install pyarrow; or name it .csv") from error
    wanted = list(dict.fromkeys(os.path.abspath(folder) for folder in folders))
    known = {row["campaign"]: row for row in read_table(path)} if path.exists() else {}
    rows, kept, written = dict(known), 0, time.monotonic()
    with _client(scheduler, workers) as client:
        from distributed import as_completed

        try:
            futures = {client.submit(outcome, name, __version__, known.get(name), pure=False): name for name in wanted}
            done = as_completed(list(futures))
            for future in progress(done, total=len(futures), desc="campaigns", unit="campaign"):
                name = futures[future]
                if future.status == "finished":
                    rows[name], same = future.result()
                    kept += same
                else:
                    problem = f"the workers that took it ended: {future.exception()}"
                    rows[name] = dict.fromkeys(COLUMNS) | {"campaign": name, "problems": problem}
                if time.monotonic() - written > EVERY:
                    write_table(path, list(rows.values()))
                    written = time.monotonic()
        finally:
            write_table(path, list(rows.values()))
    return Fleet(path, tuple(rows[name] for name in wanted), kept)


@contextmanager
def _client(scheduler: str, workers: int | None) -> "Iterator[Client]":
    """A dask client, and with "local" a cluster of its own, closed at the end."""
    try:
        import distributed
    except ImportError as error:
        raise ImportError("a fleet needs dask.distributed: pip install 'cordlab[fleet]'") from error
    with ExitStack() as opened:
        address: Any = scheduler
        if scheduler == "local":
            with _children_deaf_to_interrupts():
                # a free port of this machine alone for the dashboard: there may be another fleet
                quiet = {"dashboard_address": "127.0.0.1:0", "silence_logs": logging.CRITICAL}
                count = workers or os.cpu_count() or 1
                address = distributed.LocalCluster(n_workers=count, threads_per_worker=1, **quiet)
                opened.callback(address.close)
        try:
            client = distributed.Client(address, timeout="20s")
        except (OSError, ValueError, TimeoutError) as error:
            raise FleetError(f"no scheduler answers at {scheduler!r}: {error}") from error
        opened.callback(client.close)
        yield client


@contextmanager
def _children_deaf_to_interrupts() -> Iterator[None]:
    """Ctrl-C waits meanwhile; threads and processes started here never get it: one line says it, not one a worker."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    resource_tracker.ensure_running()  # the first process starts it, and starting it lets Ctrl-C in again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def read_table(path: Path) -> list[Row]:
    """The rows of a fleet's table. Raises FleetError where it is another file."""
    try:
        if path.suffix == ".parquet":
            table = pd.read_parquet(path)
        else:
            words: dict[str, Any] = {"true_values": ["yes"], "false_values": ["no"], "na_values": [""]}
            table = pd.read_csv(path, dtype=COLUMNS, keep_default_na=False, **words)
        if list(table.columns) != list(COLUMNS):
            raise ValueError("it has other columns")
        if path.suffix == ".csv":
            table = table.assign(**{name: table[name].str.removeprefix("'") for name in TEXTS})
        table = table.astype(COLUMNS).astype(object)
    except (ValueError, TypeError, OSError) as error:
        raise FleetError(f"{path}: is not the table of a fleet; choose another name ({error})") from error
    return table.where(table.notna(), None).to_dict("records")


def write_table(path: Path, rows: Sequence[Row]) -> None:
    """Write the table beside its place, then put it there: at every moment it is the old one or the new one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    table = pd.DataFrame(rows, columns=list(COLUMNS)).astype(COLUMNS)
    with replacing(path) as part:
        if path.suffix == ".parquet":
            table.to_parquet(part, index=False)
        else:
            yes_or_no = {name: table[name].map({True: "yes", False: "no"}) for name in ("rated", "lot issued")}
            texts = {name: table[name].str.replace(FORMULA, "'", regex=True) for name in TEXTS}
            table.assign(**yes_or_no, **texts).to_csv(part, index=False, lineterminator="\n")
