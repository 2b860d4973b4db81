"""Labels of electrodes, parts or units, numbered."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from pitwise.wear.refusal import BadShapeError, NotFiniteError


def group_codes(
    group: npt.ArrayLike | Sequence[str], n: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[Any]]:
    """Number the groups of n readings from 0, in the order of their labels.

    Parameters
    ----------
    group : (n,) array_like
        Labels: words or numbers. Whole numbers that lie close are counted rather than sorted.
    n : int

    Returns
    -------
    codes : (n,) array
        Number of each reading's group.
    labels : (m,) array
        Labels, sorted.

    Raises
    ------
    BadShapeError
        Not one label for each reading, or labels that can't be put in order.
    NotFiniteError
        A label that is nan or infinite.
    """
    given = np.asarray(group)
    if given.shape != (n,):
        raise BadShapeError(
            f"{n} readings with group labels of shape {given.shape}", "give each its label"
        )
    if n and given.dtype.kind in "iu":
        lowest, highest = int(given.min()), int(given.max())
        if highest - lowest <= 4 * n and highest < 2**62:
            shifted = given.astype(np.int64) - lowest
            there = np.bincount(shifted) > 0
            found = np.flatnonzero(there)
            if found.size < there.size:
                shifted = (np.cumsum(there) - 1)[shifted]
            return shifted, (found + lowest).astype(given.dtype)
    if given.dtype.kind == "f" and not np.isfinite(given).all():
        raise NotFiniteError("a group label is not a finite number", "leave its reading out")
    try:
        labels, codes = np.unique(given, return_inverse=True)
    except TypeError as error:
        raise BadShapeError(
            "group labels of different kinds, or none at all", "give words, or numbers, for all"
        ) from error
    return codes.astype(np.int64), labels
