"""Lines and jobs of any kind at all, by chance: an answer to them may be no, but never an error or an empty promise.

Laws rise, bend and turn round, sheets differ wildly or are one, all is read below the gauge or not at all, limits lie
where nothing ever was. Sound to read, and mostly absurd. All is invented.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

import numpy as np
import pandas as pd

import edgefinish as ef

POSITIONS = ("leading", "trailing", "lateral", "cutout")
NEAR = 0.03  # a window rests on more draws than the shares that it is held against


def trial(rng: np.random.Generator) -> pd.DataFrame:
    """A log of 1 to 40 plates on 1 to 8 sheets of a line of any kind, every second one of a size that tells."""
    sheets, plates = (int(rng.integers(least, most)) for least, most in ((1, 9), (1, 41)))
    if rng.random() < 0.5:
        sheets, plates = max(sheets, 5), max(plates, 30)
    slope, bend = rng.normal(-0.5, rng.choice([0.2, 1.5])), rng.normal(0, rng.choice([0.02, 1.0]))
    wear, early = rng.normal(-0.15, rng.choice([0.1, 1.0])), rng.normal(0, rng.choice([0.05, 0.7]))
    sheet_sd, plate_sd, edge_sd = np.abs(rng.normal(0, rng.choice([0.05, 0.5], 3)))
    speeds = np.round(np.exp(rng.uniform(np.log(0.5), np.log(12), int(rng.integers(1, 7)))), 2)
    pressures = rng.choice([40, 60, 80], int(rng.integers(1, 4)))
    grits = rng.choice(["P60", "P80", "P120"], sheets) if rng.random() < 0.5 else ["P80"] * sheets
    materials = rng.choice(["S355", "AR450", "1.4301"][:int(rng.integers(1, 4))], sheets)
    positions = rng.permutation(POSITIONS)[:int(rng.integers(1, 5))]
    effect, level = sheet_sd * rng.normal(size=sheets), rng.uniform(-4, 1)
    gauge, heavy_tails, blank, dated = rng.choice([0, 0.1, 0.3]), *(rng.random(3) < (0.3, 0.3, 0.5))
    rows = []
    for plate in range(plates):
        on, feed, pressure = int(rng.integers(sheets)), float(rng.choice(speeds)), float(rng.choice(pressures))
        hours, x = round(float(rng.choice([0, rng.uniform(0, 20)])), 1), np.log(feed / 3)
        middle = (level + slope * x + bend * x * x + wear * hours / 10 + early * np.sqrt(hours / 10)
                  + 0.4 * np.log(pressure / 60) + effect[on] + plate_sd * rng.normal())
        height = float(rng.choice([0.1, 0.3, 0.8]))
        for position in positions:
            scatter = rng.standard_t(3) if heavy_tails else rng.normal()
            log_radius = float(np.clip(middle + edge_sd * scatter, -6.9, 2.5))
            radius = round(float(np.exp(log_radius)), 3)
            cleared = rng.normal() + 4 * (log_radius + 1.2) > np.log(height / 0.3)
            read = {"edge_radius_mm": f"<{gauge}" if radius < gauge else f">{2.0}" if radius > 2 and blank else radius,
                    "residual_burr_mm": 0.0 if cleared else round(height * float(rng.uniform(0.1, 0.9)), 2),
                    "removal_um": round(float(np.clip(50 * np.exp(2 * log_radius + 2 + rng.normal(0, 0.2)), 0.1, 2500)),
                                        1)}
            row = {"run": f"R{plate:02d}", "material": materials[on], "thickness_mm": 10, "feed_speed_m_min": feed,
                   "drum_pressure_kPa": pressure, "grit": grits[on], "abrasive_sheet": f"A{on}",
                   "contact_hours": hours, "edge_position": position,
                   "burr_severity": {0.1: "light", 0.3: "moderate", 0.8: "heavy"}[height], "burr_height_mm": height}
            row |= {name: "" if blank and rng.random() < 0.2 else value for name, value in read.items()}
            rows.append(row | ({"date": f"2026-03-{1 + plate % 28:02d}"} if dated else {}))
    gone = [c for c in ("burr_severity", "burr_height_mm", "residual_burr_mm", "removal_um") if rng.random() < 0.25]
    return pd.DataFrame(rows).drop(columns=gone)


def jobs(log: pd.DataFrame, rng: np.random.Generator, count: int = 4) -> Iterator[ef.Job]:
    """Jobs at settings that were run, with limits anywhere, every second time about what was measured."""
    oldest = float(log["contact_hours"].max())
    radius = pd.to_numeric(log["edge_radius_mm"].astype(str).str.strip("<>"), errors="coerce").median()
    for _ in range(count):
        row, last = log.iloc[int(rng.integers(len(log)))], float(rng.uniform(0, oldest)) if oldest else 0.0
        first, second = np.sort(np.exp(rng.uniform(-6, 2, 2)))
        near = rng.random() < 0.5 and radius > 0
        if near:
            first, second = radius * np.exp(rng.uniform(0, 1.5, 2) * (-1, 1))
        limits = [(first, second), (first, None), (None, second), None][int(rng.integers(4))]
        removal = None if rng.random() < 0.5 else float(np.exp(rng.uniform(4, 7) if near else rng.uniform(0, 7)))
        burr = None if rng.random() < 0.5 else float(rng.choice([0, 0.05, 0.3]))
        if limits is None and removal is None and burr is None:
            limits = (first, second)
        yield ef.Job(
            material=str(row["material"]), thickness_mm=10, drum_pressure_kPa=float(row["drum_pressure_kPa"]),
            grit=str(row["grit"]), sheet_hours=(float(rng.choice([0, last / 2, last])), last),
            edge_radius_mm=limits, removal_um=removal, residual_burr_mm=burr, burr_severity=row.get("burr_severity"),
            share=float(rng.choice([0.5, 0.8, 0.9, 0.99])), confidence=float(rng.choice([0.5, 0.8, 0.95, 0.99])))


def judge(seed: int) -> tuple[Counter[str], list[str]]:
    """What was answered to the jobs of one line; and where speeds look sure, and yet no window was given.

    Fails where an answer is no answer: an error, a reason without a number, a window outside of what was run, or one
    at whose speeds too few draws say that enough edges meet the limits.
    """
    rng = np.random.default_rng([seed, 20261128])
    rows = trial(rng)
    came, missed = Counter(), []
    try:
        model = ef.fit(ef.read_log(rows))
    except ef.LogError:
        return Counter({"refused to read": 1}), missed
    ran = rows["feed_speed_m_min"]
    for job in jobs(rows, rng):
        window = model.window(job)
        came[window.verdict] += 1
        assert window.reasons and not re.search(r"\b(nan|inf)\b", " ".join(window.reasons)), window
        for reason, remedy in zip(window.reasons, window.remedies, strict=window.verdict == "window"):
            assert reason.endswith(remedy) and not re.search(r"(?<![a-z]) ?Run \d", reason.removesuffix(remedy)), window
        if window.verdict == "window":
            low, point, high = window.low_m_min, window.recommended_m_min, window.high_m_min
            assert ran.min() * (1 - 1e-9) <= low <= point <= high <= ran.max() * (1 + 1e-9), window
            sure = model.share(job, np.geomspace(low, high, 7))["confidence"]
            assert (sure >= job.confidence - NEAR).all(), (window, sure.tolist())
        elif "At about the best speed" in window.reasons[0] and ran.nunique() > 1:
            feed = np.geomspace(ran.min(), ran.max(), 41)
            sure = model.share(job, feed)["confidence"].to_numpy() >= 1 - 0.4 * (1 - job.confidence)
            longest = max(map(len, "".join("x" if s else " " for s in sure).split()), default=0)
            if longest > 1 and (feed[1] / feed[0]) ** (longest - 1) > 1.25:
                missed.append(f"{seed}: {job}")
    return came, missed
