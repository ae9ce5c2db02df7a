"""One law as fitted: its posterior, with the layout that gives it meaning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from .layout import Layout
from .posterior import Posterior
from .priors import Priors
from .rows import Floats, Store
from .scatter import Scatter


@dataclass(frozen=True, eq=False)
class LawFit:
    """One fitted posterior with the layout that gives it meaning."""

    layout: Layout
    posterior: Posterior
    priors: Priors
    _kept: Store = field(default_factory=Store, repr=False)

    @property
    def which(self) -> tuple[object, ...]:
        """Which of a log's laws this is."""
        return self.layout.has_removal, self.layout.asked, self.layout.kinds, self.priors

    @property
    def law_as_before(self) -> bool:
        """Whether the law of earlier logs was taken over."""
        return self.posterior.data.known is not None

    @cached_property
    def spreads(self) -> Floats:
        """All spreads of future edges at each node, (K, spreads): of the `asked` material and `kinds` of plates."""
        nodes, data = self.posterior.nodes, self.posterior.data
        of_sheets = len(data.edge_spread) + len(data.plate_spread)
        sd = nodes.sd * nodes.factor.prod(1)[:, None]
        sd[:, of_sheets:] = nodes.sd[:, of_sheets:] * nodes.factor[:, np.array(data.on_sheets, bool)].prod(1)[:, None]
        return sd

    @cached_property
    def scatters(self) -> tuple[Scatter, Scatter | None]:
        """Spreads of future edges at each node: of the edge radius, and of what removal adds of its own."""
        nodes = self.posterior.nodes
        sd, tail = self.spreads, nodes.tail
        if not self.layout.has_removal:
            edge, plate, sheet, wear = sd.T
            return Scatter(np.hypot(sheet, plate), wear, edge, tail[:, 0]), None
        edge, removal_edge, plate, removal_plate, sheet, wear, removal_sheet = sd.T
        return (Scatter(np.hypot(sheet, plate), wear, edge, tail[:, 0]),
                Scatter(np.hypot(removal_sheet, removal_plate), np.zeros_like(wear), removal_edge, tail[:, 1]))

    @cached_property
    def sheets_learned(self) -> tuple[float, float]:
        """Mean log SD from sheet to sheet, and how much of its prior's SD the log has taken away."""
        post = self.posterior
        index = len(post.data.edge_spread) + len(post.data.plate_spread)
        log_sd = np.log(post.nodes.sd[:, index])
        mean = post.weight @ log_sd
        left = np.sqrt(post.weight @ (log_sd - mean) ** 2)
        return float(mean), float(1 - left / post.data.spreads[index].log_sd)

    @cached_property
    def covariance(self) -> Floats:
        """Of the coefficients at the mode, (p, p)."""
        return np.linalg.inv(self._precision)

    def loosened(self, terms: Sequence[int]) -> Floats:
        """The same with the priors of some of the laws' exponents, places in `TERMS`, 4 times as wide."""
        def invert() -> Floats:
            physics = np.zeros(len(self._precision), bool)
            physics[self.layout.names.dose.start + 1 + np.array(terms)] = True
            return np.linalg.inv(self._precision - np.diag(self.posterior.data.precision * physics * (1 - 1 / 16)))
        return self._kept.keep(tuple(terms), invert)

    @cached_property
    def _precision(self) -> Floats:
        root = self.posterior.at_mode.chol[0]
        return root @ root.T
