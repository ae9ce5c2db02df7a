"""How many edges of which plates came out within a job's burr limit, by speed: what the picture of burr shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .drawing import of_material
from .job import Job
from .results import Results
from .units import in_shown
from .wording import SPEED

SPEED_BINS = 12


def cleared_plates(results: Results, job: Job) -> pd.DataFrame:
    """Plates of the job's material and severity: shown speed, share of edges within the burr limit, how many alike."""
    rows = results.log.rows
    if "residual_burr_mm" not in rows or job.residual_burr_mm is None:
        return pd.DataFrame({"speed": [], "share": [], "plates": []})
    reading = results.log.reading("residual_burr_mm")
    pick = of_material(results, job) & ~np.isnan(reading.value)
    if job.burr_severity is not None and "burr_severity" in rows:
        pick = pick & (rows["burr_severity"] == job.burr_severity).to_numpy(bool)
    within = (reading.value <= job.residual_burr_mm) & (reading.side <= 0)
    speed = np.round(np.asarray(in_shown(SPEED, rows[SPEED].to_numpy(float), results.study.units), float), 1)
    edges = pd.DataFrame({"run": rows["run"].to_numpy(), "speed": speed, "share": within.astype(float)})[pick]
    plates = edges.groupby("run", sort=True)[["speed", "share"]].mean().round(3)
    return plates.groupby(["speed", "share"], sort=True).size().rename("plates").reset_index()


def by_speed(plates: pd.DataFrame) -> pd.DataFrame:
    """The same where plates are many: the share of all edges run at about a speed, of about as many plates each."""
    count = plates["plates"].cumsum()  # sorted by speed
    group = ((count - plates["plates"] / 2) * SPEED_BINS / count.iloc[-1]).astype(int)
    weighed = plates.assign(speed=plates["speed"] * plates["plates"], share=plates["share"] * plates["plates"])
    sums = weighed.groupby(group).sum()
    return sums.assign(speed=sums["speed"] / sums["plates"], share=sums["share"] / sums["plates"])


def side_by_side(plates: pd.DataFrame, speed_step: float, share_step: float) -> pd.DataFrame:
    """The same as marks that do not cover each other: those closest together are counted as one until none overlap.

    A mark takes `speed_step` by `share_step`; one of several stands at their mean.

    >>> plates = pd.DataFrame({"speed": [1.0, 1.2, 3.0], "share": [1.0, 1.0, 0.5], "plates": [3, 1, 1]})
    >>> side_by_side(plates, 0.5, 0.1)["plates"].tolist()
    [4, 1]
    """
    marks = plates[["speed", "share", "plates"]].to_numpy(float)
    while len(marks) > 1:
        steps = (marks[:, None, :2] - marks[None, :, :2]) / (speed_step, share_step)
        distance = np.hypot(*steps.transpose(2, 0, 1)) + np.diag(np.full(len(marks), np.inf))
        one, other = np.unravel_index(distance.argmin(), distance.shape)
        if distance[one, other] >= 1:
            break
        both = marks[[one, other]]
        marks[one] = *np.average(both[:, :2], axis=0, weights=both[:, 2]), both[:, 2].sum()
        marks = np.delete(marks, other, axis=0)
    return pd.DataFrame(marks, columns=["speed", "share", "plates"]).astype({"plates": int})
