"""Random campaigns: what is written is what is read, in every dialect; the answer does not hang on how it is written.

All of it is invented; examples are drawn the same in every run.
"""

import json
import math
import random
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import cordlab
from cordlab.campaign.campaign import Campaign, read_campaign
from cordlab.campaign.files import Folder
from cordlab.campaign.tables import FEWEST_ROWS, parse_record
from tests.planted import replaced, scaled, write
from tests.small_campaign import CAMPAIGN


def fixed(examples: int) -> settings:
    checks = [HealthCheck.function_scoped_fixture]
    return settings(derandomize=True, deadline=None, database=None, suppress_health_check=checks, max_examples=examples)


# unit → size of one in SI, exact by definition (NIST SP 811, 2008, B.8)
LENGTHS = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
MASSES = {"kg": 1.0, "g": 0.001, "lb": 0.45359237}
FORCES = {"N": 1.0, "kN": 1000.0, "lbf": 4.4482216152605}
TIMES = {"s": 1.0, "ms": 0.001, "min": 60.0}


# -- Written and read back ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dialect:
    """How a table is written."""

    separator: str
    comma: bool
    quote: str
    mark: bool
    end: str
    last_end: bool
    blank_lines: bool
    spaces: bool
    order: random.Random

    def table(self, columns: dict[str, list], *, shuffled: bool = True) -> bytes:
        """Head → cells, text or numbers; columns in any order, rows too if `shuffled`."""
        heads, rows = list(columns), list(zip(*columns.values(), strict=True))
        places = self.order.sample(range(len(heads)), len(heads))
        if shuffled:
            self.order.shuffle(rows)
        lines = [self._line([row[k] for k in places]) for row in [heads, *rows]]
        if self.blank_lines:
            lines = [part for line in lines for part in (line, " " if self.order.random() < 0.3 else "")]
        return (b"\xef\xbb\xbf" if self.mark else b"") + (self.end.join(lines) + self.end * self.last_end).encode()

    def _line(self, cells: list) -> str:
        pad = " " if self.spaces else ""
        return self.separator.join(pad + self._cell(cell) + pad for cell in cells)

    def _cell(self, cell) -> str:
        if isinstance(cell, float):
            cell = repr(cell).replace(".", ",") if self.comma else repr(cell)
        cell = str(cell)
        needed = any(mark in cell for mark in (self.separator, '"'))
        if needed or self.quote == "all" or (self.quote == "some" and self.order.random() < 0.5):
            return '"' + cell.replace('"', '""') + '"'
        return cell


@st.composite
def dialects(draw) -> Dialect:
    separator = draw(st.sampled_from(",;\t"))
    return Dialect(
        separator=separator,
        comma=separator != "," and draw(st.booleans()),
        quote=draw(st.sampled_from(["all", "some", "none"])),
        mark=draw(st.booleans()),
        end=draw(st.sampled_from(["\n", "\r\n"])),
        last_end=draw(st.booleans()),
        blank_lines=draw(st.booleans()),
        spaces=draw(st.booleans()),
        order=draw(st.randoms(use_true_random=False)),
    )


names = (
    st.text(
        st.characters(exclude_categories=("C", "Z"), include_characters=" ,;\"'=+-@<>&{}%"), min_size=1, max_size=20
    )
    .map(str.strip)
    .filter(lambda name: name and name.isprintable())
)
uncertainties = st.floats(0.0, 0.5)


@st.composite
def campaigns(draw):
    """Cords, drops, breaks and pairs of a calibration in SI, as tuples in the order of the file."""
    lengths = st.floats(2.0, 20.0)
    cords = [
        (
            name,
            draw(lengths),
            draw(uncertainties),
            draw(st.floats(0.6, 30.0)),  # above its uncertainty
            draw(uncertainties),
            draw(st.integers(0, 9)),
        )
        for name in draw(st.lists(names, min_size=1, max_size=4, unique=True))
    ]
    drops = []
    for k, name in enumerate(draw(st.lists(names, min_size=1, max_size=6, unique=True))):
        cord = draw(st.sampled_from(cords))
        drops.append(
            (
                name, cord[0], draw(st.floats(1.0, 200.0)), draw(uncertainties), cord[5] + draw(st.integers(0, 900)),
                draw(st.none() | st.floats(-30.0, 50.0)),
                "fit" if k == 0 else draw(st.sampled_from(["fit", "check", "wear"])),
                cord[1] * draw(st.floats(1.01, 2.3)), draw(uncertainties),
            )
        )  # fmt: skip
    broken = draw(
        st.lists(st.tuples(names, st.floats(10.0, 1e6)), min_size=1, max_size=3, unique_by=lambda one: one[0])
    )
    pair = st.tuples(names, st.floats(-1e4, 1e4), uncertainties, st.floats(-10.0, 10.0))
    pairs = draw(st.lists(pair, min_size=3, max_size=8, unique_by=lambda one: one[3]))
    return cords, drops, broken, pairs


@st.composite
def units(draw):
    kinds = {"length": LENGTHS, "mass": MASSES, "force": FORCES}
    return {kind: draw(st.sampled_from(sorted(sizes.items()))) for kind, sizes in kinds.items()}


def written(folder: Path, content, units, dialect: Dialect) -> None:
    cords, drops, broken, pairs = content
    (metre, m), (kilogram, kg), (newton, n) = units["length"], units["mass"], units["force"]
    cord, length, u_length, weight, u_weight, before = zip(*cords, strict=True)
    drop, of, mass, u_mass, jumps, temperature, use, lowest, u_lowest = zip(*drops, strict=True)
    run, reference, u_reference, reading = zip(*pairs, strict=True)
    tables = {
        "cords.csv": {
            "cord": cord, f"slack length [{metre}]": [x / m for x in length],
            f"u(slack length) [{metre}]": [x / m for x in u_length],
            f"Cord mass [{kilogram}]": [x / kg for x in weight],
            f"u(cord mass) [{kilogram}]": [x / kg for x in u_weight], "jumps": before,
        },
        "drops.csv": {
            "drop": drop, "cord": of, f"mass [{kilogram}]": [x / kg for x in mass],
            f"u(mass) [{kilogram}]": [x / kg for x in u_mass], "jumps": jumps,
            "temperature [degC]": ["" if x is None else x for x in temperature], "use": use,
            f"lowest point [{metre}]": [x / m for x in lowest], f"u(lowest point) [{metre}]": [x / m for x in u_lowest],
        },
        "breaks.csv": {"cord": [x for x, _ in broken], f"breaking load [{newton}]": [x / n for _, x in broken]},
        "calibration/force.csv": {
            "run": run, f"reference [{newton}]": [x / n for x in reference],
            f"u(reference) [{newton}]": [x / n for x in u_reference], "reading [mV/V]": reading,
        },
    }  # fmt: skip
    (folder / "calibration").mkdir(parents=True)
    (folder / "campaign.toml").write_text(CAMPAIGN, encoding="utf-8")
    for name, columns in tables.items():
        (folder / name).write_bytes(dialect.table(columns))


def near(value: float) -> object:
    return pytest.approx(value, rel=1e-12, abs=1e-15)


@fixed(60)
@given(campaigns(), units(), dialects())
def test_a_campaign_is_read_as_it_was_written(content, units, dialect):
    """Names to the letter, numbers to the rounding of one change of units, and the order of rows is of no account."""
    cords, drops, broken, pairs = content
    with TemporaryDirectory() as scratch:
        written(Path(scratch, "c"), content, units, dialect)
        read = read_campaign(Path(scratch, "c"))
    assert {one.cord for one in read.cords} == {one[0] for one in cords}
    for name, length, u_length, mass, u_mass, jumps in cords:
        cord = read.cord(name)
        assert [cord.slack_length.value, cord.slack_length.u, cord.mass.value, cord.mass.u] == [
            near(x) for x in (length, u_length, mass, u_mass)
        ]
        assert cord.jumps == jumps
    found = {one.drop: one for one in read.drops}
    assert len(read.drops) == len(drops)
    for name, of, mass, u_mass, jumps, temperature, use, lowest, u_lowest in drops:
        drop = found[name]
        assert (drop.cord, drop.jumps, drop.use, drop.record) == (of, jumps, use, None)
        assert math.isnan(drop.temperature) if temperature is None else drop.temperature == near(temperature)
        assert [drop.mass.value, drop.mass.u, drop.lowest_point.value, drop.lowest_point.u] == [
            near(x) for x in (mass, u_mass, lowest, u_lowest)
        ]
    assert {one.cord: one.breaking_load for one in read.breaks} == {name: near(load) for name, load in broken}
    table = read.calibration["force"]
    columns = (table.run.tolist(), table.reference.tolist(), table.u_reference.tolist(), table.reading.tolist())
    of_reading = {row[3]: row for row in zip(*columns, strict=True)}
    assert of_reading == {row[3]: (row[0], near(row[1]), near(row[2]), row[3]) for row in pairs}


@fixed(50)
@given(
    data=st.data(),
    dialect=dialects(),
    unit=st.sampled_from(sorted(TIMES.items())),
    rows=st.integers(FEWEST_ROWS, 60),
    distance=st.booleans(),
)
def test_a_record_is_read_as_it_was_written(data, dialect, unit, rows, distance):
    readings = st.lists(st.floats(-1e6, 1e6), min_size=rows, max_size=rows)
    time = np.cumsum(data.draw(st.lists(st.floats(1e-4, 1.0), min_size=rows, max_size=rows))).tolist()
    columns = {f"time [{unit[0]}]": [x / unit[1] for x in time], "force [mV/V]": data.draw(readings)}
    if distance:
        columns["distance [V]"] = data.draw(readings)
    folder = Folder(Path())
    parsed = parse_record(folder, "records/a.csv", dialect.table(columns, shuffled=False))
    assert folder.problems == []
    assert parsed is not None
    np.testing.assert_allclose(parsed[1].time, time, rtol=1e-12)
    np.testing.assert_allclose(parsed[1].force, columns["force [mV/V]"], rtol=1e-15)
    assert (parsed[1].distance is not None) == distance
    if distance:
        np.testing.assert_allclose(parsed[1].distance, columns["distance [V]"], rtol=1e-15)


@fixed(40)
@given(
    title=names,
    height=st.integers(4000, 9000),
    u=st.integers(1, 99),
    unit=st.sampled_from(sorted(LENGTHS)),
    form=st.sampled_from(
        ["{value:.2f}({u}) {unit}", "{value:.2f} ± {said:.2f} {unit} (k=1)", "{value:.2f}({said:.2f}) {unit}"]
    ),
)
def test_a_quantity_of_the_settings_is_read_as_it_was_written(title, height, u, unit, form):
    """62.00(5) m is ±0.05 m: the digits in brackets count in the last places shown (JCGM 100:2008, 7.2.2)."""
    said = form.format(value=height / 100, u=u, said=u / 100, unit=unit)
    text = CAMPAIGN.replace('"A small invented campaign"', json.dumps(title, ensure_ascii=False))
    text = text.replace('"48.00(3) m"', json.dumps(said, ensure_ascii=False))
    with TemporaryDirectory() as scratch:
        cord, drop = ("A", 10.0, 0.0, 14.0, 0.0, 0), ("1", "A", 50.0, 0.0, 1, None, "fit", 10.1, 0.0)
        plain = Dialect(",", False, "none", False, "\n", True, False, False, random.Random(0))
        written(
            Path(scratch, "c"),
            ([cord], [drop], [("B", 1e4)], [("1", x, 0.0, x) for x in (0.0, 1.0, 2.0)]),
            UNITS_SI,
            plain,
        )
        Path(scratch, "c", "campaign.toml").write_text(text, encoding="utf-8")
        if height / 100 * LENGTHS[unit] <= 10.1:
            with pytest.raises(cordlab.CampaignError, match="is not above the surface"):
                read_campaign(Path(scratch, "c"))
            return
        read = read_campaign(Path(scratch, "c"))
    assert read.title == title
    assert (read.rig.tie_height.value, read.rig.tie_height.u) == (
        near(height / 100 * LENGTHS[unit]),
        near(u / 100 * LENGTHS[unit]),
    )


UNITS_SI = {"length": ("m", 1.0), "mass": ("kg", 1.0), "force": ("N", 1.0)}


# -- The same answer ---------------------------------------------------------------------------------------------------

BASE = {
    "retests": (), "cords": 4, "masses": (40.0, 60.0, 80.0, 100.0), "checks": (60.0,), "duration": 7.0,
    # at 250 samples a second the 0.05 s of a peak are 12.5 samples, which the rounding of the clock makes 12 or 13
    "rate": 500.0,
    # criteria that cut both ends off, so that the range is an answer of its own
    "criteria": {"greatest_g": 2.75}, "site": {"tie_height": "43.0(1) m"},
    "decision": {"probability": 0.9, "model": "mooney-rivlin"},
}  # fmt: skip


@dataclass(frozen=True)
class Base:
    folder: Path
    plain: dict = field(repr=False)


@pytest.fixture(scope="module", params=["distance", "none"])
def base(request, tmp_path_factory):
    """A small invented campaign with records and one without, and what is answered to it."""
    folder = write(tmp_path_factory.mktemp("base") / "campaign", sensors=request.param, **BASE)
    return Base(folder, answer(read_campaign(folder)))


def answer(campaign: Campaign) -> dict:
    return cordlab.analyse(campaign).to_dict()


def rewritten(path: Path, change) -> None:
    lines = change([line.split(",") for line in path.read_text(encoding="utf-8").splitlines()])
    path.write_text("".join(",".join(line) + "\n" for line in lines), encoding="utf-8")


def rows_and_columns_mixed(folder: Path, order: random.Random) -> None:
    """Rows in any order but in a record, columns in any order everywhere."""
    for path in sorted(folder.rglob("*.csv")):

        def mixed(lines, path=path):
            head, rows = lines[0], lines[1:]
            if path.parent.name != "records":
                order.shuffle(rows)
            places = order.sample(range(len(head)), len(head))
            return [[line[k] for k in places] for line in [head, *rows]]

        rewritten(path, mixed)


def in_other_units(folder: Path, order: random.Random) -> None:
    """Every column with a unit in another one of its kind, each by its own choice."""
    kinds = [LENGTHS, MASSES, FORCES, TIMES, {"V": 1.0, "mV": 0.001}, {"mV/V": 0.001, "V/V": 1.0, "uV/V": 1e-6}]
    units = {unit: sizes for sizes in kinds for unit in sizes}
    chosen: dict[str, str] = {}

    def convert(lines):
        for k, head in enumerate(lines[0]):
            name, _, unit = head.rstrip("]").partition(" [")
            if unit in units:
                sizes = units[unit]
                other = chosen.setdefault(unit, order.choice(sorted(sizes)))
                lines[0][k] = f"{name} [{other}]"
                for line in lines[1:]:
                    if line[k]:
                        line[k] = repr(float(line[k]) * sizes[unit] / sizes[other])
        return lines

    for path in sorted(folder.rglob("*.csv")):
        rewritten(path, convert)
    replaced(r'gear_mass = "3\.0\(3\) kg"', f'gear_mass = "{3 / MASSES["lb"]!r}({0.3 / MASSES["lb"]!r}) lb"')(folder)
    replaced('least_clearance = "4 m"', f'least_clearance = "{4 / 0.3048!r} ft"')(folder)


def from_other_datums(folder: Path, order: random.Random) -> None:
    """The surface lower and the clearance asked for greater by as much; sensors with another zero; clocks that began
    earlier; degrees of another scale.
    """
    down = order.choice([0.5, 2.0, 7.0])
    replaced(r'\[site\]\ntie_height = "43\.0\(1\) m"', f'[site]\ntie_height = "{43 + down}(0.1) m"')(folder)
    replaced('least_clearance = "4 m"', f'least_clearance = "{4 + down} m"')(folder)
    for channel in ("force", "distance"):
        zero = order.choice([-0.25, 0.5, 1.0])
        scaled(f"calibration/{channel}.csv", "reading", shift=zero)(folder)
        scaled("records/*.csv", channel, shift=zero)(folder)
    scaled("records/*.csv", "time", shift=order.choice([-3.0, 10.0, 100.0]))(folder)

    def fahrenheit(lines):
        k = lines[0].index("temperature [degC]")
        lines[0][k] = "temperature [degF]"
        for line in lines[1:]:
            line[k] = repr(float(line[k]) * 1.8 + 32)
        return lines

    rewritten(folder / "drops.csv", fahrenheit)


MIXES = [((rows_and_columns_mixed, in_other_units), 4), ((rows_and_columns_mixed, from_other_datums), 5)]


@pytest.mark.parametrize(("changes", "seed"), MIXES)
def test_the_rating_does_not_hang_on_order_units_or_datum(base, changes, seed):
    """The range in the kilograms shown, and every estimate and limit to a millionth: what rounding leaves after a fit.

    A clearance counts from the surface, so it moves with it; everything else stays.
    """
    there, order = Path(shutil.copytree(base.folder, base.folder.parent / f"mix-{seed}")), random.Random(seed)
    for change in changes:
        change(there, order)
    mine, plain = answer(read_campaign(there)), base.plain
    assert plain["rating"]["rated"]
    for key in ("rated", "lightest", "heaviest", "governed_by", "n_cords"):
        assert mine["rating"][key] == plain["rating"][key]
    for row, before in zip(mine["predictions"], plain["predictions"], strict=True):
        for name in ("mass", "lowest_point", "lowest_point_limit", "g", "g_limit", "peak_load", "peak_load_limit"):
            assert row[name] == (before[name] and pytest.approx(before[name], rel=1e-6)), name


def test_the_order_of_rows_changes_no_digit(base, tmp_path):
    there = Path(shutil.copytree(base.folder, tmp_path / "c"))
    rows_and_columns_mixed(there, random.Random(1))
    other, plain = answer(read_campaign(there)), base.plain
    for results in (plain, other):
        results["campaign"].pop("sha256", None)
    assert other == plain
