"""Priors of the spreads, and of what the laws leave open."""

from __future__ import annotations

from dataclasses import dataclass

from .laws import BENDS, RUN_IN, TERMS, THICKNESS
from .rows import Spread


@dataclass(frozen=True)
class Priors:
    """Priors of the spreads (log scale: 0.08 is 8 %) and of what the laws leave open.

    Medians and log SDs were set on simulated lines, not on data of any line: common practice has no source for them.
    A sheet's own wear is per 10 contact hours, 0 on a fresh sheet. Where a log has several materials: `material`, the
    SDs of level, feed exponent, pressure exponent and wear from material to material, `odd_times` as large of an odd
    one; of the material asked for, `material_position`, the SD by which its edge positions may lie otherwise than the
    others', or may where they clearly do. `own_spread`: the SD of the logarithm of a factor on all spreads of the
    material asked for, and that where they clearly are otherwise; `kind_spread` of one on edges and plates run as the
    job's are, where these clearly scatter otherwise. `tilt`: the SD of exponents of a setting at one edge position
    against the others, where positions clearly answer otherwise to it; `tilt_along` of those of speed, and of wear per
    10 h.
    """

    edge: Spread = Spread(0.10, 0.7)
    plate: Spread = Spread(0.06, 0.5)
    sheet: Spread = Spread(0.07, 0.4)
    sheet_wear: Spread = Spread(0.02, 0.6)
    removal_edge: Spread = Spread(0.12, 0.7)
    removal_plate: Spread = Spread(0.04, 0.6)
    removal_sheet: Spread = Spread(0.05, 0.6)
    position: float = 0.10
    removal_position: float = 0.24
    material: tuple[Spread, Spread, Spread, Spread] = (
        Spread(0.20, 0.7), Spread(0.12, 0.7), Spread(0.12, 0.7), Spread(0.025, 0.7))
    odd_times: tuple[float, float, float, float] = (4.0, 4.0, 4.0, 3.2)
    own_spread: tuple[float, float] = (0.10, 0.30)
    kind_spread: float = 0.40
    material_position: tuple[float, float] = (0.03, 0.20)
    tilt: float = 0.30
    tilt_along: float = 0.15
    removal_material: float = 0.25
    drift: float = 0.05
    run_in: float = TERMS[RUN_IN].sd
    bend: float = TERMS[BENDS[THICKNESS]].sd

    def spreads(self, removal: bool) -> dict[str, tuple[Spread, ...]]:
        """The spreads by level, as `MixedData` has them."""
        return {"edge_spread": (self.edge, self.removal_edge)[:1 + removal],
                "plate_spread": (self.plate, self.removal_plate)[:1 + removal],
                "sheet_spread": (self.sheet, self.sheet_wear, self.removal_sheet)[:2 + removal]}


STANDARD = Priors()
JOINT = Priors(drift=0.03, run_in=0.04, bend=0.04)
"""Where burr or removal are promised too. Windows of several limits lose most to what few trials say of burr, and held
with room to spare on simulated lines: less is feared that no run shows (drift, running in, laws that bend) than for the
radius alone.
"""
