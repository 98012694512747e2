"""Levels of groups taken off values, and the value furthest from its groups."""

from collections.abc import Sequence

import numpy as np


def levelled(values: np.ndarray, *groupings: Sequence | np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """What is left of `values`, (n,) or (n, columns), when each group of each grouping (n,) has a level of its own.

    By least squares; then the share of each value that is free of the levels (1 less its leverage), and the degrees of
    freedom left.
    """
    members = [np.asarray(grouping)[:, None] == np.unique(grouping) for grouping in groupings]
    span, singular, _ = np.linalg.svd(np.hstack(members).astype(float), full_matrices=False)
    span = span[:, singular > 1e-9 * singular[0]]
    return values - span @ (span.T @ values), 1 - (span**2).sum(axis=1), len(span) - span.shape[1]


def unlike(values: np.ndarray, *groupings: Sequence | np.ndarray) -> tuple[int, float, float, float] | None:
    """The value (n,) furthest from what its groups make it, by the externally studentized residual.

    Cook & Weisberg 1982, section 2.2.2: which, its distance from what the others say of it, that in standard
    deviations, and the chance that scatter alone puts any of them so far off (Bonferroni's bound). None below 3 degrees
    of freedom.
    """
    from scipy.special import stdtr

    left, free, dof = levelled(values, *groupings)
    if dof < 3:
        return None
    known = np.flatnonzero(free > 1e-6)  # not what has a level for itself
    left, free = left[known], free[known]
    others = np.maximum((left @ left + 1e-12 - left**2 / free) / (dof - 1), 1e-12)
    t = np.abs(left) / np.sqrt(others * free)
    worst = int(np.argmax(t))
    chance = 2 * stdtr(dof - 1, -t[worst]) * t.size
    return int(known[worst]), float(left[worst] / free[worst]), float(t[worst]), float(chance)
