"""A small invented study in a folder: 24 plates on 4 sheets, readings by a plain formula, for tests of runs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

STUDY = """\
study: small-yard
log: trials.csv
units: metric
line: {feed_speed_m_min: [0.8, 6.0], drum_pressure_kPa: [25, 110], grits: [P60, P80, P120]}
promise: {share: 0.80, confidence: 0.80}
limits: {edge_radius_mm: [0.15, 0.9]}
jobs: every material and burr severity
"""


def trials(seed: int = 7) -> pd.DataFrame:
    """Two grades, each with light and heavy burr, on sheets that age."""
    rng = np.random.default_rng(seed)
    rows = []
    for plate in range(24):
        sheet, turn = divmod(plate, 6)
        speed = (1.2, 1.7, 2.4, 3.4)[plate % 4]
        of_sheet = np.exp(0.07 * rng.standard_normal())
        for place, factor in (("leading", 1.05), ("trailing", 1.0), ("lateral", 0.95), ("cutout", 0.9)):
            radius = 0.55 * factor * of_sheet * speed**-0.5 * np.exp(-0.01 * turn * 2 + 0.09 * rng.standard_normal())
            rows.append({
                "run": f"R{plate:02d}", "material": ("S355", "0304")[plate % 2], "thickness_mm": 10,
                "feed_speed_m_min": speed, "drum_pressure_kPa": 60, "grit": "P80", "abrasive_sheet": f"A{sheet}",
                "contact_hours": turn * 2.0, "edge_position": place, "edge_radius_mm": round(radius, 3),
                "burr_severity": ("light", "heavy")[plate // 2 % 2]})
    return pd.DataFrame(rows)


def write(folder: Path, study: str = STUDY) -> Path:
    """The study file, its log beside it."""
    trials().to_csv(folder / "trials.csv", index=False)
    path = folder / "study.yaml"
    path.write_text(study, encoding="utf-8")
    return path


def running(mark: str) -> list[str]:
    """Command lines of live processes that name a folder."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            line = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if mark in line:
            found.append(line)
    return found
