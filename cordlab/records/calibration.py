"""Calibration of a sensor: readings against references, with the uncertainty of what is read afterwards."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import comb
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from cordlab.campaign.files import CampaignError

if TYPE_CHECKING:
    from cordlab.campaign.campaign import CalibrationTable

SIGNIFICANCE = 0.05  # below this probability a straight line is given up for a quadratic
FEWEST_REPEATS = 4  # degrees of freedom: two readings that happen to be equal are no measure of scatter


class OutsideCalibration(ValueError):
    """A reading beyond the calibrated range: a line is not evidence beyond its ends."""


@dataclass(frozen=True)
class LackOfFit:
    """How well a polynomial of the given degree goes through the references.

    test : "repeats", F of the scatter of the group means about the curve over the scatter within the groups; or
        "quadratic term", F = t² of the term of degree + 1, where nothing was repeated; "none", where neither can be had
    dof : of numerator and denominator
    p : probability of a greater F, were the curve true
    """

    test: str
    degree: int
    f: float
    dof: tuple[int, int]
    p: float

    @property
    def found(self) -> bool:
        return self.p < SIGNIFICANCE

    def __str__(self) -> str:
        if self.test == "none":
            return f"lack of fit of degree {self.degree}: too few points to test"
        how = {"repeats": "against the scatter of repeats", "quadratic term": "by one more term, nothing repeated"}
        a, b = self.dof
        found = "lack of fit" if self.found else "no lack of fit seen"
        return f"degree {self.degree} {how[self.test]}: F({a}, {b}) = {self.f:.3g}, p = {self.p:.3g}: {found}"


@dataclass(frozen=True)
class Calibration:
    """A polynomial from reading to quantity, fitted by least squares.

    coefficients : (degree + 1,) constant first  [quantity / reading**n]
    covariance   : (degree + 1, degree + 1), from the scatter about the curve
    residual_sd  : scatter about the curve  [quantity], with `dof` degrees of freedom
    valid        : (lowest, highest) reading that was calibrated
    common       : (degree + 1,) polynomial of the references' own standard uncertainty in the reading; that part is one
        unknown common to all readings, since all references hang on one scale or tape
    lack_of_fit  : of a straight line and of the degree fitted, one or two tests
    reading, reference, run : (n,) what was fitted
    run_offsets  : mean residual of each run, by its label  [quantity]; up and down runs part by the hysteresis
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    residual_sd: float
    dof: int
    valid: tuple[float, float]
    common: np.ndarray
    lack_of_fit: tuple[LackOfFit, ...]
    reading: np.ndarray = field(repr=False)
    reference: np.ndarray = field(repr=False)
    run: np.ndarray = field(repr=False)
    channel: str = ""
    quantity_unit: str = ""
    reading_unit: str = ""

    @property
    def degree(self) -> int:
        return len(self.coefficients) - 1

    @property
    def standard_errors(self) -> np.ndarray:
        """(degree + 1,) standard uncertainties of the coefficients."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> np.ndarray:
        """(degree + 1, degree + 1) correlation of the coefficients."""
        scale = np.where(self.standard_errors > 0, self.standard_errors, 1.0)  # references without any scatter
        return self.covariance / np.outer(scale, scale)

    @property
    def run_offsets(self) -> dict[Any, float]:
        residual = self.reference - self.curve(self.reading)[0]
        return {label: float(residual[self.run == label].mean()) for label in np.unique(self.run).tolist()}

    def curve(self, reading: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Value of the polynomial and standard uncertainty of the fitted curve, at any reading (any shape).

        GUM (JCGM 100:2008) H.3.5, equation (H.15): a confidence, of the mean curve. This is arithmetic and has no range
        of validity: what a sensor has read goes through `convert`.
        """
        powers = _powers(np.asarray(reading, dtype=float), self.degree)
        variance = np.einsum("...i,ij,...j->...", powers, self.covariance, powers)
        return powers @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))

    def single(self, reading: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Value, and standard uncertainty of one new pair about the curve: the curve's with `residual_sd` added.

        Natrella (1963), NBS Handbook 91, 5-4.1.2: a prediction. Raises OutsideCalibration as `convert` does.
        """
        value, u = self.convert(reading)
        return value, np.hypot(u, self.residual_sd)

    def convert(self, reading: np.ndarray | float, *, noise: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
        """Quantity and its standard uncertainty at `reading` (any shape).

        The uncertainty is that of the curve (GUM H.3.5) and of the references (`common`), added in quadrature: what is
        common to many readings and does not average out. Not in it: noise of the reading itself, nor how a cell
        calibrated at rest behaves in motion.

        noise : by how much a reading may pass the ends of the range and still count as lying at the end  [reading]
        Raises OutsideCalibration where a reading lies further outside `valid`.
        """
        reading = np.asarray(reading, dtype=float)
        low, high = self.valid
        outside = ~((reading >= low - noise) & (reading <= high + noise))
        if outside.any():
            worst = reading[outside][np.argmax(np.abs(reading[outside] - (low + high) / 2))]
            unit = f" {self.reading_unit}" if self.reading_unit else ""
            raise OutsideCalibration(
                f"{self.channel or 'the sensor'} reads {worst:.6g}{unit}, outside the calibrated range "
                f"{low:.6g} to {high:.6g}{unit} ({outside.sum()} of {reading.size} readings); "
                "calibrate over more than the range used"
            )
        value, u = self.curve(reading)
        return value, np.hypot(u, _powers(reading, self.degree) @ self.common)

    def summary(self) -> str:
        unit, of = self.quantity_unit, self.reading_unit
        of_one = f"({of})" if "/" in of else of
        per = ("", f"/{of_one}", f"/{of_one}^2") if of else ("",) * 3
        found = zip(self.coefficients, self.standard_errors, per, strict=False)
        runs = ", ".join(f"{label}: {offset:+.2g}" for label, offset in self.run_offsets.items())
        return "\n".join(
            [
                f"calibration of {self.channel or 'a sensor'}, degree {self.degree}, {len(self.reading)} points",
                *(f"  {value: .8g} ± {u:.2g} {unit}{power}" for value, u, power in found),
                f"  scatter about the curve {self.residual_sd:.3g} {unit}, {self.dof} degrees of freedom",
                f"  valid for readings {self.valid[0]:.6g} to {self.valid[1]:.6g} {of}".rstrip(),
                *(f"  {test}" for test in self.lack_of_fit),
                f"  mean residual of each run [{unit}]: {runs}",
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        return {
            "degree": self.degree,
            "coefficients": self.coefficients.tolist(),
            "standard_errors": self.standard_errors.tolist(),
            "correlation": self.correlation.tolist(),
            "residual_sd": self.residual_sd,
            "dof": self.dof,
            "range": list(self.valid),
            "quantity_unit": self.quantity_unit,
            "reading_unit": self.reading_unit,
            "lack_of_fit": [vars(test) | {"dof": list(test.dof)} for test in self.lack_of_fit],
        }


def fit_calibration(
    reference: np.ndarray,
    reading: np.ndarray,
    *,
    degree: int | None = 1,
    u_reference: np.ndarray | float | None = None,
    run: np.ndarray | None = None,
    channel: str = "",
    quantity_unit: str = "",
    reading_unit: str = "",
) -> Calibration:
    """Polynomial from `reading` to `reference`, both (n,), by least squares.

    degree : 1, 2, or None: a straight line, or a quadratic where the line shows lack of fit at 5 %
    u_reference : standard uncertainty of the references, one or (n,); taken as common to them all  [quantity]
    run : (n,) label of the run that each pair belongs to

    Lack of fit: F test on repeats (equal references, or equal readings if those are more) where there are enough,
    otherwise the test of the next term; Draper and Smith, Applied Regression Analysis, section 2.1 (from memory).
    Raises ValueError for numbers that are not finite, or too few points.
    """
    reading, reference = (np.array(values, dtype=float) for values in (reading, reference))
    name = channel or "calibration"
    if reading.ndim != 1 or reading.shape != reference.shape:
        raise ValueError(f"{name}: {reference.size} references and {reading.size} readings do not pair up")
    if not (np.isfinite(reading).all() and np.isfinite(reference).all()):
        raise ValueError(f"{name}: a reference or a reading is not a finite number; leave that pair out")
    if (far := max(np.abs(reading).max(initial=0), np.abs(reference).max(initial=0))) > 1e100:
        raise ValueError(f"{name}: {far:.3g} is too large for a calibration; look for a mistyped pair")
    if degree not in (1, 2, None):
        raise ValueError(f"{name}: degree {degree} is not 1, 2 or None (chosen by lack of fit)")
    line = _test_fit(reading, reference, 1, name)
    tests = [line]
    if degree is None:
        degree = 2 if line.found else 1
    if degree == 2:
        tests.append(_test_fit(reading, reference, 2, name))
    coefficients, covariance, rss = _least_squares(reading, reference, degree, name)
    dof = reading.size - degree - 1
    u_reference = np.broadcast_to(0.0 if u_reference is None else np.asarray(u_reference, float), reading.shape)
    if (most := float(u_reference.max())) > (span := float(np.ptp(reference))):
        raise ValueError(
            f"{name}: u(reference) of {most:.4g} {quantity_unit} is more than the references' range of {span:.4g} "
            f"{quantity_unit}; look for a mistyped number"
        )
    return Calibration(
        coefficients=coefficients,
        covariance=covariance * rss / dof,
        residual_sd=float(np.sqrt(rss / dof)),
        dof=dof,
        valid=(float(reading.min()), float(reading.max())),
        common=_least_squares(reading, u_reference, degree, name)[0],
        lack_of_fit=tuple(tests),
        reading=reading,
        reference=reference,
        run=np.zeros(reading.size, int) if run is None else np.array(run),
        channel=channel,
        quantity_unit=quantity_unit,
        reading_unit=reading_unit,
    )


def calibrate_channel(table: CalibrationTable, *, degree: int | None = None) -> Calibration:
    """Calibration of one channel of a campaign; the degree by lack of fit unless given.

    Raises CampaignError, naming the file, where `fit_calibration` raises ValueError, and for a curve that turns within
    its range.
    """
    where = f"calibration/{table.channel}.csv"
    try:
        fitted = fit_calibration(
            table.reference,
            table.reading,
            degree=degree,
            u_reference=table.u_reference,
            run=table.run,
            channel=table.channel,
            quantity_unit=table.quantity_unit,
            reading_unit=table.reading_unit,
        )
    except ValueError as error:
        raise CampaignError((f"{where}: {error}",)) from error
    slopes = np.polynomial.Polynomial(fitted.coefficients).deriv()(np.array(fitted.valid))
    if slopes[0] * slopes[1] <= 0:
        low, high = fitted.valid
        said = f"{where}: the curve turns between readings of {low:.6g} and {high:.6g} {table.reading_unit}, so one "
        raise CampaignError((f"{said}reading would mean two values; look for a mistyped pair, or ask for degree 1",))
    return fitted


def _powers(reading: np.ndarray, degree: int) -> np.ndarray:
    return reading[..., None] ** np.arange(degree + 1)


def _least_squares(x: np.ndarray, y: np.ndarray, degree: int, name: str) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients, unscaled covariance (XᵀX)⁻¹, sum of squared residuals.

    By QR in t = (x − centre)/half-range, one step of refinement with residuals in extended precision where the machine
    has it, then expanded into powers of x: Pontius (NIST StRD) agrees in 13 digits, as far as its data go in doubles.
    """
    levels = np.unique(x).size
    if x.size < degree + 2 or levels < degree + 1:
        raise ValueError(
            f"{name}: {x.size} pairs at {levels} different readings do not carry a polynomial of degree {degree}; "
            f"at least {degree + 2} pairs at {degree + 1} readings"
        )
    centre, half = (x.max() + x.min()) / 2, (x.max() - x.min()) / 2
    exact = _powers((x.astype(np.longdouble) - centre) / half, degree)
    q, r = np.linalg.qr(exact.astype(float))
    found = np.linalg.solve(r, q.T @ y).astype(np.longdouble)
    found += np.linalg.solve(r, q.T @ (y - exact @ found).astype(float))
    inverse = np.linalg.inv(r)
    expand = np.array(  # t**k = Σ_n comb(k, n) (−centre)**(k−n) x**n / half**k
        [
            [comb(k, n) * (-np.longdouble(centre)) ** (k - n) / half**k if n <= k else 0.0 for k in range(degree + 1)]
            for n in range(degree + 1)
        ]
    )
    residual = (y - exact @ found).astype(float)
    root = (expand @ inverse).astype(float)
    return (expand @ found).astype(float), root @ root.T, float(residual @ residual)


def _test_fit(x: np.ndarray, y: np.ndarray, degree: int, name: str) -> LackOfFit:
    coefficients, _, rss = _least_squares(x, y, degree, name)
    residual = y - _powers(x, degree) @ coefficients
    _, group = max((np.unique(values, return_inverse=True) for values in (x, y)), key=lambda found: -found[0].size)
    count = np.bincount(group)
    above, below = count.size - degree - 1, x.size - count.size
    if above > 0 and below >= FEWEST_REPEATS:
        within = residual - (np.bincount(group, residual) / count)[group]
        pure = float(within @ within)
        test, lack = "repeats", max(rss - pure, 0.0)
    elif np.unique(x).size > degree + 1 and x.size > degree + 2:
        test, above, below = "quadratic term", 1, x.size - degree - 2
        pure = _least_squares(x, y, degree + 1, name)[2]
        lack = max(rss - pure, 0.0)
    else:
        return LackOfFit("none", degree, np.nan, (0, 0), 1.0)
    # a perfect fit has nothing left to test, up to the rounding of the references
    noise = x.size * (np.finfo(float).eps * np.abs(y).max()) ** 2
    f = (lack / above) / (max(pure, noise) / below) if lack > noise else 0.0
    return LackOfFit(test, degree, f, (above, below), float(special.fdtrc(above, below, f)))
