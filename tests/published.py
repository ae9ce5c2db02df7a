"""Published data in the shape that the window's numerics take: no priors, normal errors unless said otherwise."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pandas as pd

from edgefinish.rows import FLAT, OFF, MixedData, Spread

# Tobin 1958, Econometrica 26, 24-36: durable goods, age, liquidity ratio of 20 households.
TOBIN = np.array([
    (0, 57.7, 236), (0.7, 50.9, 283), (0, 48.5, 207), (0, 41.7, 220), (0, 47.7, 238),
    (0, 59.8, 216), (0, 44.3, 284), (3.7, 45.1, 221), (0, 51.7, 275), (3, 50, 269),
    (10.4, 46.8, 207), (0, 58, 249), (0, 58.9, 246), (0, 40, 277), (1.5, 34.1, 231),
    (0, 39.9, 219), (0, 33.4, 240), (3.5, 48.1, 266), (6.1, 46.6, 214), (0, 53.1, 251)])

# CMH-17-1G section 8.3.11.2.2, condition ETW2: strength of three batches.
BATCHES = (
    (99.0239966, 103.341238, 100.302130, 98.4634133, 92.2647280, 103.487693, 113.734763),
    (108.172659, 108.426732, 116.260375, 121.049610, 111.223082, 104.574843, 103.222552),
    (99.3918538, 87.3421658, 102.730741, 96.3694916, 99.5946088, 97.0712407))


def nested(y: np.ndarray, columns: np.ndarray | None = None, *, plate: np.ndarray | None = None,
           sheet: np.ndarray | None = None, slope: np.ndarray | None = None, side: np.ndarray | None = None,
           edge: Spread = FLAT) -> MixedData:
    """y ~ columns + (1 | sheet) + (1 | plate in sheet), each level only if given; `slope` (n,): (0 + slope | sheet)."""
    y = np.asarray(y, float)
    n = len(y)
    columns = np.ones((n, 1)) if columns is None else np.asarray(columns, float)
    groups = pd.DataFrame({"sheet": np.zeros(n) if sheet is None else pd.factorize(sheet, sort=True)[0],
                           "plate": np.arange(n) if plate is None else pd.factorize(plate, sort=True)[0]})
    order = np.lexsort((groups["plate"], groups["sheet"]))
    groups = groups.iloc[order]
    rank = groups.groupby(["sheet", "plate"], sort=True).ngroup().to_numpy()
    first = np.flatnonzero(np.r_[True, np.diff(rank) != 0])
    plates = len(first)
    load = np.ones((plates, 1, 1 if slope is None else 2))
    if slope is not None:
        load[:, 0, 1] = np.asarray(slope, float)[order][first]
    sheet_spread = (OFF if sheet is None else FLAT,) + ((FLAT,) if slope is not None else ())
    return MixedData(
        y=y[order], side=np.zeros(n, np.int8) if side is None else side[order].astype(np.int8),
        scale=np.zeros(n, np.intp), load=np.ones((n, 1)), plate=rank,
        sheet=groups["sheet"].to_numpy(int)[first], sheet_load=load, plate_columns=np.zeros((plates, 1, 0)),
        row_columns=columns[order], coef_mean=np.zeros(columns.shape[1]), coef_sd=np.full(columns.shape[1], np.inf),
        edge_spread=(edge,), plate_spread=(OFF if plate is None else FLAT,), sheet_spread=sheet_spread,
        heavy_tails=False)


def pastes() -> pd.DataFrame:
    """lme4's Pastes as the statsmodels wheel carries it: strength, batch, cask."""
    return pd.read_csv(files("statsmodels") / "regression" / "tests" / "results" / "pastes.csv")


def nist(name: str) -> np.ndarray:
    """A NIST Statistical Reference Dataset as the scipy wheel carries it, its data lines alone."""
    text = (files("scipy") / "stats" / "tests" / "data" / name).read_text()
    lines = text.splitlines()
    header = max(i for i, line in enumerate(lines) if line.startswith("Data:"))
    return np.array([[float(v) for v in line.split()] for line in lines[header + 1:] if line.strip()])


def treatment(*factors: pd.Series) -> np.ndarray:
    """Intercept and treatment columns of factors, levels in sorted order."""
    out = [np.ones(len(factors[0]))]
    for factor in factors:
        out += [(factor.astype(str) == level).astype(float) for level in sorted(factor.astype(str).unique())[1:]]
    return np.column_stack(out)
