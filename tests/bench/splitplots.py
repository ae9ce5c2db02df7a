# /// script
# requires-python = ">=3.11"
# dependencies = ["pyoptex==1.2.1"]
# ///
"""Split-plot trials by a general library of designs, for `planning.py` to hold planned ones against.

    python tests/bench/splitplots.py > tests/bench/splitplots.csv

Runs in an environment of its own: pyoptex 1.2.1 asks for an older plotly than the project. I-optimal over the whole
region, sheet over plate variance 1.33, the best of ten tries; main effects, speed and sheet age quadratic, the
library's own three levels of each. Grit is bound to the sheet and one of three kinds: as a number the library leaves
the middle one out, and nothing is promised of a grit that was not run. Settings are coded −1, 0, 1 from the least to
the greatest. Five seeds of each size.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

SIZES = ((36, 6), (27, 6), (18, 9))
SEEDS, TRIES, RATIO = 5, 10, 1.33
PLATE = {"one": ("speed", "age"), "six": ("speed", "age", "pressure", "thickness")}
GRITS = ("P60", "P80", "P120")


def design(kind: str, plates: int, sheets: int, seed: int) -> pd.DataFrame:
    """One design, (plates,) rows; sheets differ by one plate at most."""
    # here, not above: the tests import every module, and the project does without this library
    from pyoptex._seed import set_seed
    from pyoptex.doe.fixed_structure import (
        Factor,
        RandomEffect,
        create_fixed_structure_design,
        create_parameters,
        default_fn,
    )
    from pyoptex.doe.fixed_structure.metric import Iopt
    from pyoptex.utils.model import model2Y2X

    set_seed(1000 * plates + seed)
    sheet = np.sort(np.arange(plates) % sheets)
    on_sheet = RandomEffect(sheet, ratio=RATIO)
    factors = [Factor(name, None, type="continuous") for name in PLATE[kind]]
    if kind == "six":
        factors.append(Factor("grit", on_sheet, type="categorical", levels=list(GRITS)))
    count = len(factors)
    model = np.vstack([np.zeros(count, int), np.eye(count, dtype=int), 2 * np.eye(count, dtype=int)[:2]])
    model = pd.DataFrame(model, columns=[f.name for f in factors])
    parts = default_fn(factors, Iopt(n=10_000), model2Y2X(model, factors))
    blocks = () if kind == "six" else (on_sheet,)
    found, _ = create_fixed_structure_design(create_parameters(factors, parts, plates, block_effects=blocks), TRIES)
    return found.assign(kind=kind, plates=plates, sheets=sheets, seed=seed, sheet=sheet + 1)


def main() -> None:
    """Every design, to standard output."""
    every = [design(kind, *size, seed) for kind in PLATE for size in SIZES for seed in range(SEEDS)]
    table = pd.concat(every)[["kind", "plates", "sheets", "seed", "sheet", "speed", "age", "pressure", "thickness",
                              "grit"]]
    for name in ("speed", "age", "pressure", "thickness"):
        table[name] = table[name].round().astype("Int64")
    table.to_csv(sys.stdout, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
