"""What is known of the effect of a sheet that the log has seen, at the most probable spreads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .lawfit import LawFit
from .mixed import given_coefficients
from .rows import Floats, nodes_at


class SeenSheets(NamedTuple):
    """Effects of some sheets, q each, as normals given the p coefficients.

    `effect` (S, q) where the coefficients are `middle` (p,), falling by `slope` (S, q, p) with them; `covariance`
    (S, q, q) of what is left.
    """

    effect: Floats
    slope: Floats
    middle: Floats
    covariance: Floats

    def given(self, coef: Floats) -> Floats:
        """Their means in each draw of the coefficients, (D, p) to (S, D, q)."""
        return self.effect[:, None] - np.einsum("sqp,dp->sdq", self.slope, coef - self.middle)


def seen_sheets(fitted: LawFit, sheet: NDArray[np.intp] | Sequence[int]) -> SeenSheets:
    """Of sheets of the fit's layout, by index.

    >>> import edgefinish as ef
    >>> results = ef.open_study()
    >>> seen_sheets(results.model.law(), [0, 1]).effect.shape  # level, and wear per 10 h
    (2, 2)
    """
    post = fitted.posterior
    col, given = given_coefficients(post.data, nodes_at(post.data, post.mode.theta[None]), post.at_mode.eta)
    covariance = given.sheet_shrink[0, sheet]
    return SeenSheets(given.sheet[0, sheet], covariance @ col.sheet_x[0, sheet], given.coef[0], covariance)
