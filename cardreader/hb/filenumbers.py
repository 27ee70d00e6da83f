"""Arrays as files of calibrations and measurements keep them: rounded, a covariance as its lower
triangle."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DIGITS = 9
"""Kept of each number: more than any fit knows, and hashes stay the same on any machine."""
_ROUNDING = 1e-6
"""Share of the trace by which a covariance of seven digits may be negative."""


def plain(value: Any) -> Any:
    """Nested lists of numbers with `DIGITS` significant digits; what is no array stays as it is."""
    if not isinstance(value, np.ndarray):
        return value
    rounded = [float(f"{number:.{DIGITS}g}") for number in value.ravel().tolist()]
    return np.reshape(rounded, value.shape).tolist()


def to_triangle(value: Array, digits: int) -> list[float]:
    """The lower triangle (n (n + 1) / 2,) of a symmetric matrix (n, n), row by row, rounded."""
    rows, columns = np.tril_indices(len(value))
    return [float(f"{v:.{digits}g}") for v in value[rows, columns].tolist()]


def from_triangle(values: Array, name: str) -> Array:
    """A symmetric matrix from its lower triangle, row by row.

    ValueError, begun with ``name``, for another length.
    """
    n = int((np.sqrt(8 * len(values) + 1) - 1) / 2)
    if n * (n + 1) // 2 != len(values):
        raise ValueError(f"{name} is no triangle of a square")
    full = np.zeros((n, n))
    rows, columns = np.tril_indices(n)
    full[rows, columns] = values
    return full + np.tril(full, -1).T


def must_be_covariance(value: Array, name: str) -> None:
    """ValueError, begun with ``name``, for a square matrix that is no covariance."""
    # Most are put together from their triangle: then nothing need be worked out.
    symmetric = np.array_equal(value, value.T) or np.allclose(value, value.T, rtol=1e-6, atol=1e-12)
    if not symmetric:
        raise ValueError(f"{name} must be symmetric")
    if not _semidefinite(value):
        raise ValueError(f"{name} must not be negative")


def _semidefinite(value: Array) -> bool:
    """Whether no eigenvalue is negative, but for a file's rounding.

    By Cholesky's factors, which take a twentieth of the time of the eigenvalues.
    """
    moved = value + _ROUNDING * max(float(np.trace(value)), 1e-12) * np.eye(len(value))
    try:
        return bool(np.isfinite(np.linalg.cholesky(moved)).all())
    except np.linalg.LinAlgError:
        return False
