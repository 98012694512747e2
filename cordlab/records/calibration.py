"""Calibration of a sensor: readings against references, with the uncertainty of what is read afterwards."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.polynomial.polynomial import polyder, polyval, polyvander
from scipy import special

from cordlab.campaign.files import CampaignError

if TYPE_CHECKING:
    import pandas as pd
    from uncertainties.core import AffineScalarFunc

    from cordlab.campaign.campaign import Campaign

SIGNIFICANCE = 0.05  # below this probability a quadratic takes the place of the straight line
FEWEST_REPEATS = 4  # degrees of freedom: two readings that happen to be equal are no measure of scatter


class OutsideCalibration(ValueError):
    """A reading beyond the calibrated range.

    Examples
    --------
    >>> import cordlab
    >>> line = cordlab.fit_calibration([0.0, 500.0, 1000.0, 1500.0], [0.0, 0.2, 0.4, 0.6])
    >>> line.convert(0.7)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    cordlab.records.calibration.OutsideCalibration: the sensor reads 0.7, outside the calibrated range ...
    """


@dataclass(frozen=True)
class LackOfFit:
    """F test of whether a polynomial of one degree goes through the references.

    test : "repeats" compares the scatter of the group means about the curve with that within the groups; "quadratic
        term", where nothing was repeated, is t² of the term of degree + 1; "none" with too few points
    dof : of numerator and denominator; p : probability of a greater F, were the curve true
    """

    test: str
    degree: int
    f: float
    dof: tuple[int, int]
    p: float

    @property
    def significant(self) -> bool:
        return self.p < SIGNIFICANCE

    def __str__(self) -> str:
        if self.test == "none":
            return f"lack of fit of degree {self.degree}: too few points to test"
        how = {"repeats": "against the scatter of repeats", "quadratic term": "by one more term, nothing repeated"}
        above, below = self.dof
        verdict = "lack of fit" if self.significant else "no lack of fit seen"
        return f"degree {self.degree} {how[self.test]}: F({above}, {below}) = {self.f:.3g}, p = {self.p:.3g}: {verdict}"


@dataclass(frozen=True)
class Calibration:
    """A polynomial from reading to quantity, from `fit_calibration`.

    Attributes
    ----------
    coefficients : ndarray, (degree + 1,)
        Constant first  [quantity / readingⁿ].
    covariance : ndarray, (degree + 1, degree + 1)
        Of the coefficients, from the scatter about the curve.
    residual_sd, dof : float, int
        Standard deviation about the curve [quantity], and its degrees of freedom.
    valid : tuple of float
        Lowest and highest reading that was calibrated.
    u_common : ndarray, (degree + 1,)
        Polynomial of the references' standard uncertainty in the reading: one error, common to all of them.
    lack_of_fit : tuple of LackOfFit
        Of a straight line, and of a quadratic where one was fitted.
    reading, reference, run : ndarray, (n,)
        The pairs that were fitted.

    Examples
    --------
    >>> import cordlab
    >>> reading = [0.02, 0.22, 0.42, 0.62, 0.82]
    >>> line = cordlab.fit_calibration([0.0, 500.0, 1001.0, 1500.0, 2000.0], reading, quantity_unit="N")
    >>> [f"{value:.2f}" for value in line.coefficients]
    ['-49.80', '2500.00']
    >>> load, u = line.convert(0.5)
    >>> print(f"{load:.1f} N, standard uncertainty {u:.2f} N")
    1200.2 N, standard uncertainty 0.24 N

    The coefficients as correlated values, for first order:

    >>> constant, slope = line.correlated
    >>> print(f"{constant + slope * 0.5:.2f}")
    1200.20+/-0.24
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    residual_sd: float
    dof: int
    valid: tuple[float, float]
    u_common: np.ndarray
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
    def correlated(self) -> tuple[AffineScalarFunc, ...]:
        """The coefficients as `uncertainties` values: correlated, and with the references' common error in them."""
        from uncertainties import correlated_values

        return correlated_values(self.coefficients, self.covariance + np.outer(self.u_common, self.u_common))

    @property
    def residuals(self) -> np.ndarray:
        """(n,) reference less curve [quantity]."""
        return self.reference - self.curve(self.reading)[0]

    @property
    def run_offsets(self) -> dict[Any, float]:
        """Run → its mean residual [quantity]; up and down runs part by the hysteresis."""
        return {label: float(self.residuals[self.run == label].mean()) for label in np.unique(self.run).tolist()}

    def curve(self, reading: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Value and standard uncertainty of the fitted curve at `reading` (any shape), also outside the range.

        GUM (JCGM 100:2008) H.3.5, equation (H.15): a confidence, of the mean curve.
        """
        powers = np.asarray(reading, dtype=float)[..., None] ** np.arange(self.degree + 1)
        variance = np.sum(powers @ self.covariance * powers, axis=-1)
        return powers @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))

    def single(self, reading: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """As `convert`, with the standard uncertainty of one new pair: a prediction, Natrella (1963), 5-4.1.2."""
        value, u = self.convert(reading)
        return value, np.hypot(u, self.residual_sd)

    def convert(
        self, reading: np.ndarray | float, *, noise: float = 0.0, zero: float = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Quantity and its standard uncertainty at `reading` (any shape): of the curve and of the references.

        Noise of the reading is not in it, nor what a sensor that was calibrated at rest does in motion.

        noise : by how much a reading may pass the ends of the range  [reading]
        zero : the share of the range by which it may also pass the end next to zero
        Raises OutsideCalibration where a reading lies further outside `valid`.
        """
        reading = np.asarray(reading, dtype=float)
        low, high = self.valid
        ends = np.abs(self.curve(np.array(self.valid))[0])
        below, above = noise + zero * (high - low) * (ends == ends.min())
        outside = ~((reading >= low - below) & (reading <= high + above))
        if outside.any():
            worst = reading[outside][np.argmax(np.abs(reading[outside] - (low + high) / 2))]
            unit = f" {self.reading_unit}" if self.reading_unit else ""
            raise OutsideCalibration(
                f"{self.channel or 'the sensor'} reads {worst:.6g}{unit}, outside the calibrated range "
                f"{low:.6g} to {high:.6g}{unit} ({outside.sum()} of {reading.size} readings); "
                "calibrate over more than the range used"
            )
        value, u = self.curve(reading)
        return value, np.hypot(u, polyval(reading, self.u_common))

    def summary(self) -> str:
        unit, reading_unit = self.quantity_unit, self.reading_unit
        base = f"({reading_unit})" if "/" in reading_unit else reading_unit
        per = ("", f"/{base}", f"/{base}^2") if base else ("",) * 3
        terms = zip(self.coefficients, self.standard_errors, per, strict=False)
        runs = ", ".join(f"{label}: {offset:+.2g}" for label, offset in self.run_offsets.items())
        lines = [
            f"calibration of {self.channel or 'a sensor'}, degree {self.degree}, {len(self.reading)} points",
            *(f"  {value: .8g} {unit}{power}, u = {u:.2g}" for value, u, power in terms),
            f"  scatter about the curve {self.residual_sd:.3g} {unit}, {self.dof} degrees of freedom",
            f"  valid for readings {self.valid[0]:.6g} to {self.valid[1]:.6g} {reading_unit}".rstrip(),
            *(f"  {test}" for test in self.lack_of_fit),
            f"  mean residual of each run [{unit}]: {runs}",
        ]
        return "\n".join(lines)

    def table(self) -> pd.DataFrame:
        """One row a pair: run, reading, reference, and reference less curve."""
        import pandas as pd

        reading, quantity = f"[{self.reading_unit or 1}]", f"[{self.quantity_unit or 1}]"
        pairs = {"run": self.run, f"reading {reading}": self.reading, f"reference {quantity}": self.reference}
        return pd.DataFrame(pairs | {f"reference − curve {quantity}": self.residuals})

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
            "lack_of_fit": [asdict(test) | {"dof": list(test.dof)} for test in self.lack_of_fit],
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
    """Polynomial from reading to quantity, by least squares of the references.

    Parameters
    ----------
    reference, reading : array_like, (n,)
        What was applied [quantity], and what the sensor read.
    degree : {1, 2, None}
        None: a straight line, or a quadratic where the line shows lack of fit at 5 %.
    u_reference : float or array_like, (n,), optional
        Standard uncertainty of the references [quantity], one error common to them all.
    run : array_like, (n,), optional
        Label of each pair's run.
    channel, quantity_unit, reading_unit : str
        For messages and tables.

    Returns
    -------
    Calibration

    Raises
    ------
    ValueError
        For numbers that are not finite, too large, too few or beyond all range, and a curve that turns.

    References
    ----------
    JCGM 100:2008 (GUM), H.3. Lack of fit: F test on repeats (equal references, or equal readings if those are more)
    or of the next term; Draper and Smith, Applied Regression Analysis, section 2.1 (from memory).

    Examples
    --------
    >>> import cordlab
    >>> line = cordlab.fit_calibration([0.0, 500.0, 1000.0, 1501.0], [0.02, 0.22, 0.42, 0.62], u_reference=0.5)
    >>> load, u = line.convert([0.1, 0.5])
    >>> print(load.round(1), u.round(1))
    [ 199.9 1200.5] [0.6 0.6]
    """
    reading, reference = (np.array(values, dtype=float) for values in (reading, reference))
    name = channel or "calibration"
    if reading.ndim != 1 or reading.shape != reference.shape:
        raise ValueError(f"{name}: {reference.size} references and {reading.size} readings do not pair up")
    if not (np.isfinite(reading).all() and np.isfinite(reference).all()):
        raise ValueError(f"{name}: a reference or a reading is not a finite number; leave that pair out")
    if (largest := max(np.abs(reading).max(initial=0), np.abs(reference).max(initial=0))) > 1e100:
        raise ValueError(f"{name}: {largest:.3g} is too large for a calibration; look for a mistyped pair")
    if degree not in (1, 2, None):
        raise ValueError(f"{name}: degree {degree} is not 1, 2 or None (chosen by lack of fit)")
    levels, least = np.unique(reading).size, degree or 1
    if reading.size < least + 2 or levels < least + 1:
        raise ValueError(
            f"{name}: {reading.size} pairs at {levels} different readings do not carry a polynomial of degree {least}; "
            f"at least {least + 2} pairs at {least + 1} readings"
        )
    tests = [_test_fit(reading, reference, 1)]
    if degree is None:
        degree = 2 if tests[0].significant else 1
    if degree == 2:
        tests.append(_test_fit(reading, reference, 2))
    coefficients, covariance, residuals = _least_squares(reading, reference, degree)
    dof = reading.size - degree - 1
    variance = float(residuals @ residuals) / dof
    u_reference = np.broadcast_to(0.0 if u_reference is None else np.asarray(u_reference, float), reading.shape)
    if (greatest := float(u_reference.max())) > (span := float(np.ptp(reference))):
        raise ValueError(
            f"{name}: u(reference) of {greatest:.4g} {quantity_unit} is more than the references' range of "
            f"{span:.4g} {quantity_unit}; look for a mistyped number"
        )
    low, high = float(reading.min()), float(reading.max())
    slopes = polyval(np.array([low, high]), polyder(coefficients))
    if slopes[0] * slopes[1] <= 0:
        raise ValueError(
            f"{name}: the curve turns between readings of {low:.6g} and {high:.6g} {reading_unit}, so one reading "
            "would mean two values; look for a mistyped pair, or ask for degree 1"
        )
    return Calibration(
        coefficients=coefficients,
        covariance=covariance * variance,
        residual_sd=float(np.sqrt(variance)),
        dof=dof,
        valid=(low, high),
        u_common=_least_squares(reading, u_reference, degree)[0],
        lack_of_fit=tuple(tests),
        reading=reading,
        reference=reference,
        run=np.zeros(reading.size, int) if run is None else np.array(run),
        channel=channel,
        quantity_unit=quantity_unit,
        reading_unit=reading_unit,
    )


def calibrate_campaign(campaign: Campaign) -> dict[str, Calibration]:
    """Channel → its calibration, of the degree that the campaign asks for or that lack of fit chooses.

    Raises CampaignError with one problem for each channel that `fit_calibration` refuses.
    """
    calibrations: dict[str, Calibration] = {}
    problems = []
    for channel, table in campaign.calibration.items():
        try:
            calibrations[channel] = fit_calibration(**vars(table), degree=campaign.decision.calibration_degree)
        except ValueError as error:
            problems.append(f"calibration/{channel}.csv: {error}")
    if problems:
        raise CampaignError(tuple(problems))
    return calibrations


def _least_squares(x: np.ndarray, y: np.ndarray, degree: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Coefficients, unscaled covariance (XᵀX)⁻¹, residuals.

    One step of refinement by residuals in extended precision, where the machine has it: Pontius (NIST StRD) agrees in
    13 digits, all that its doubles carry.
    """
    powers = polyvander(x, degree)
    largest = np.abs(powers).max(axis=0)
    solve = np.linalg.pinv(powers / largest) / largest[:, None]
    exact = polyvander(x.astype(np.longdouble), degree)
    coefficients = (solve @ y).astype(np.longdouble)
    coefficients += solve @ (y - exact @ coefficients)
    return coefficients.astype(float), solve @ solve.T, (y - exact @ coefficients).astype(float)


def _test_fit(x: np.ndarray, y: np.ndarray, degree: int) -> LackOfFit:
    residual = _least_squares(x, y, degree)[2]
    groups = [np.unique(values, return_inverse=True)[1] for values in (x, y)]
    group = min(groups, key=np.max)  # the one with more repeats
    count = np.bincount(group)
    above, below = count.size - degree - 1, x.size - count.size
    if above > 0 and below >= FEWEST_REPEATS:
        test = "repeats"
        left = residual - (np.bincount(group, residual) / count)[group]
    elif np.unique(x).size > degree + 1 and x.size > degree + 2:
        test, above, below = "quadratic term", 1, x.size - degree - 2
        left = _least_squares(x, y, degree + 1)[2]
    else:
        return LackOfFit("none", degree, np.nan, (0, 0), 1.0)
    # a perfect fit has nothing left to test, up to the rounding of the references
    rounding = x.size * (np.finfo(float).eps * np.abs(y).max()) ** 2
    pure, lack = left @ left, residual @ residual - left @ left
    f = (lack / above) / (max(pure, rounding) / below) if lack > rounding else 0.0
    return LackOfFit(test, degree, float(f), (above, below), float(special.fdtrc(above, below, f)))
