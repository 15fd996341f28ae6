"""The arrays that the generator works with, and how text and blanks stand in them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Words = npt.NDArray[np.object_]


def words(values: npt.ArrayLike) -> Words:
    """Turn values into an array of Python objects, the form text columns have."""
    return np.asarray(values, dtype=object)


def blanks(n: int) -> Words:
    """Return ``n`` blank cells."""
    return np.full(n, None, dtype=object)


def is_word(values: Words, *listed: str) -> Bools:
    """Say which values are one of the listed words; shape of ``values``."""
    return np.isin(values.astype(str), listed)
