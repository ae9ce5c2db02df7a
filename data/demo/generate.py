"""Writes the demo's trial logs and the truth behind them. All of it is invented: no yard, line or sheet here is real.

    python generate.py        # from this folder; the same files every time

The truth is deliberately not the model that `edgefinish` fits: radii start from what the cut left and grow with the
square root of a dose, pressure saturates, wear levels off, edges have heavy tails, each sheet wears at its own pace.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np

from edgefinish.study import read_study

HERE = Path(__file__).parent
GRAIN_UM = {"P60": 269.0, "P80": 201.0, "P120": 125.0}      # customary mean grain sizes, as in edgefinish.abrasive
POSITION = {"leading": 1.05, "trailing": 0.98, "lateral": 1.02, "cutout": 0.95}
SEVERITY_MM = {"light": (0.05, 0.2), "moderate": (0.2, 0.5), "heavy": (0.5, 1.0)}
SPREAD = {"sheet": 0.06, "sheet wear per 10 h": 0.02, "plate": 0.05, "edge (t, 5 degrees)": 0.07, "removal": 0.10,
          "burr by sheet": 0.06, "burr by edge": 0.18}
MATERIAL = {                                                 # radius cut at dose 1, left by the cut, removal, burr cut
    "S355": {"process": "plasma", "cut_mm": 0.42, "left_mm": 0.07, "removal_um": 15.0, "depth": 1.75},
    "AR450": {"process": "plasma", "cut_mm": 0.37, "left_mm": 0.08, "removal_um": 12.0, "depth": 1.9},
    "1.4301": {"process": "laser", "cut_mm": 0.34, "left_mm": 0.02, "removal_um": 13.0, "depth": 1.95},
    "A36": {"process": "laser", "cut_mm": 0.38, "left_mm": 0.04, "removal_um": 15.0, "depth": 1.9},
    "AR400": {"process": "plasma", "cut_mm": 0.36, "left_mm": 0.08, "removal_um": 12.0, "depth": 1.9},
}
LAWS = {
    "dose": "(2 / feed)^0.95 · pressure · (grain / 201)^0.8 · (thickness / 10)^-0.1 · passes · wear",
    "pressure": "(p / 55) · (1 + 55/160) / (1 + p/160), p in kPa",
    "wear": "0.70 + 0.30 · exp(-hours / 6)",
    "edge radius": "r² = left² + (cut · position)² · dose · (sheet · plate)² · edge², mm",
    "removal": "removal · dose · (sheet · plate)² · chance, µm",
    "burr": "depth · (radius cut)^1.1 · chance against 0.3 · (height / 0.3)^0.6, mm; short of it, that share is left",
}


def dose(feed, pressure, grit, thickness, passes, hours):
    """What one edge is given, 1 at 2 m/min, 55 kPa, P80, 10 mm, one pass, a new sheet."""
    p = pressure / 55 * (1 + 55 / 160) / (1 + pressure / 160)
    wear = 0.70 + 0.30 * np.exp(-hours / 6)
    return (2 / feed) ** 0.95 * p * (GRAIN_UM[grit] / 201) ** 0.8 * (thickness / 10) ** -0.1 * passes * wear


def edge(rng, material, position, given, chance, burr_mm, burr_sheet, size=None):
    """Radius (mm), residual burr (mm) and removal (µm) of one edge, or of `size` edges."""
    m = MATERIAL[material]
    cut = m["cut_mm"] * POSITION[position] * np.sqrt(given) * np.exp(
        chance + SPREAD["edge (t, 5 degrees)"] * rng.standard_t(5, size))
    depth = m["depth"] * cut**1.1 * np.exp(burr_sheet + rng.normal(0, SPREAD["burr by edge"], size))
    left = burr_mm * np.maximum(0, 1 - depth / (0.3 * (burr_mm / 0.3) ** 0.6))
    removal = m["removal_um"] * given * np.exp(2 * chance + rng.normal(0, SPREAD["removal"], size))
    return np.hypot(m["left_mm"], cut), left, removal


def trial(rng, blocks, feeds, pressures, thicknesses, oldest_h):
    """One row per measured edge. `blocks` are (material, grit, severities of the plates), a sheet each, in order."""
    count = sum(len(block[2]) for block in blocks)
    strata = iter(rng.permutation(count))
    rows, run, day = [], 0, np.datetime64("2025-02-03")
    for number, (material, grit, severities) in enumerate(blocks, 1):
        sheet, wear, burr_sheet = rng.standard_normal(3) * (
            SPREAD["sheet"], SPREAD["sheet wear per 10 h"], SPREAD["burr by sheet"])
        steps = (np.arange(len(severities)) + rng.uniform(0, 0.8, len(severities))) / len(severities)
        for i, (severity, hours) in enumerate(zip(severities, np.round(oldest_h * steps, 1), strict=True)):
            run += 1
            feed = round(feeds[0] * (feeds[1] / feeds[0]) ** ((next(strata) + rng.uniform()) / count), 1)
            pressure, thickness = rng.choice(pressures), rng.choice(thicknesses[material])
            passes = 2 if feed > 3.5 and rng.uniform() < 0.2 else 1
            burr = round(rng.uniform(*SEVERITY_MM[severity]), 2)
            chance = sheet + wear * hours / 10 + rng.normal(0, SPREAD["plate"])
            given = dose(feed, pressure, grit, thickness, passes, hours)
            for position in POSITION:
                radius, left, removal = edge(rng, material, position, given, chance, burr, burr_sheet)
                rows.append({
                    "run": f"{run:03d}", "material": material, "thickness_mm": thickness, "feed_speed_m_min": feed,
                    "drum_pressure_kPa": pressure, "grit": grit, "abrasive_sheet": f"{number:02d}",
                    "contact_hours": hours, "edge_position": position, "edge_radius_mm": radius, "passes": passes,
                    "cut_process": MATERIAL[material]["process"], "burr_severity": severity, "burr_height_mm": burr,
                    "residual_burr_mm": left, "removal_um": removal, "date": str(day + (i + 1) // 3),
                    "operator": f"shift {'ABC'[run % 3]}", "note": ""})
        day += 1 + len(severities) // 3
    return rows


def share(job, feed, hours, position, edges=8000):
    """Share of future edges that meet every limit of the job: a new sheet, plate and edge for each, by simulation."""
    rng = np.random.default_rng(7)                           # the same chances everywhere, so that shares are smooth
    sheet, wear, plate, burr_sheet = rng.standard_normal((4, edges))
    chance = SPREAD["sheet"] * sheet + SPREAD["sheet wear per 10 h"] * wear * hours / 10 + SPREAD["plate"] * plate
    burr = rng.uniform(*SEVERITY_MM[job.burr_severity or "moderate"], edges)
    given = dose(feed, job.drum_pressure_kPa, job.grit, job.thickness_mm, job.passes, hours)
    radius, left, removal = edge(rng, job.material, position, given, chance, burr, SPREAD["burr by sheet"] * burr_sheet,
                                 edges)
    low, high = job.edge_radius_mm or (None, None)
    good = (radius >= (low or 0)) & (radius <= (high or np.inf))
    good &= left <= (np.inf if job.residual_burr_mm is None else job.residual_burr_mm)
    return float((good & (removal <= (job.removal_um or np.inf))).mean())


def true_window(job, low, high):
    """The widest true interval of speeds between low and high, m/min, to about 2 %; None if narrower than 1.05."""
    speeds, ages = np.geomspace(low, high, 81), np.linspace(*job.sheet_hours, 4)
    worst = [min(share(job, v, h, p) for h in ages for p in POSITION) for v in speeds]
    runs, start = [], None
    for i, good in enumerate([*(np.array(worst) >= job.share), False]):
        if good and start is None:
            start = i
        elif not good and start is not None:
            runs.append((i - start, start, i - 1))
            start = None
    _, first, last = max(runs, default=(0, 0, 0))
    return [round(float(speeds[i]), 2) for i in (first, last)] if speeds[last] / speeds[first] >= 1.05 else None


def yard():
    """The main log: three materials, 46 plates each on eight sheets of their own, sheet after sheet."""
    rng = np.random.default_rng(20250203)
    grits = ("P80", "P60", "P80", "P80", "P120", "P80", "P60", "P80")
    graded = {"S355": (14, 21, 11), "AR450": (12, 23, 11), "1.4301": (18, 26, 2)}
    words = {m: rng.permutation(np.repeat(list(SEVERITY_MM), n)).tolist() for m, n in graded.items()}
    blocks = []
    for i, grit in enumerate(grits):
        for material in graded:
            take = 6 if i < 6 else 5
            blocks.append((material, grit, [words[material].pop() for _ in range(take)]))
    thicknesses = {"S355": (8, 12, 12, 12, 20), "AR450": (6, 10, 10, 10, 16), "1.4301": (4, 6, 6, 6, 10)}
    rows = trial(rng, blocks, (1.0, 6.0), (40, 55, 55, 55, 55, 70), thicknesses, 16)
    for row in rows:
        radius = row["edge_radius_mm"]
        row["edge_radius_mm"] = f"{radius:.2f}" if round(radius, 2) >= 0.18 else "<0.18"
        row["residual_burr_mm"] = f"{row['residual_burr_mm']:.2f}"
        row["removal_um"] = f"{row['removal_um']:.0f}"
    for name, blanks in (("edge_radius_mm", 3), ("residual_burr_mm", 4), ("removal_um", 9)):
        for i in rng.choice(len(rows), blanks, replace=False):
            rows[i][name] = ""
    rows[57]["note"] = "plate lifted at the outfeed"
    rows[301]["note"] = "magnet slow to release"
    return rows


def small_shop():
    """The second log: two materials on five sheets, in feet, inches and psi, as it is kept on the floor."""
    rng = np.random.default_rng(20250445)
    words = rng.permutation(np.repeat(["light", "moderate"], (9, 20))).tolist()
    blocks = [("A36", grit, [words.pop() for _ in range(count)])
              for grit, count in (("P80", 6), ("P80", 6), ("P120", 5), ("P80", 6), ("P80", 6))]
    rows = trial(rng, blocks, (1.2, 5.6), (45, 55, 55, 65), {"A36": (6.35, 9.525, 9.525, 12.7)}, 13)
    rows += trial(rng, [("AR400", "P80", ["light"])], (2, 3), (55,), {"AR400": (9.525,)}, 13)
    kept = []
    for i, row in enumerate(rows):
        inches = row["edge_radius_mm"] / 25.4
        last = row["material"] == "AR400"
        kept.append({
            "Plate no": f"{30 if last else int(row['run'])}", "Grade": row["material"],
            "Thickness (in)": f"{row['thickness_mm'] / 25.4:.4g}", "Belt": f"{row['feed_speed_m_min'] / 0.3048:.1f}",
            "Press": f"{row['drum_pressure_kPa'] / 6.894757:.1f}", "GRIT": row["grit"].removeprefix("P"),
            "Abrasive Sheet": f"B{5 if last else int(row['abrasive_sheet'])}",
            "contact hours": f"{12.9 if last else row['contact_hours']:.1f}", "Where": row["edge_position"],
            "Edge radius [in]": f"{inches:.3f}" if round(inches, 3) >= 0.009 else "<0.009",
            "Burr": row["burr_severity"], "Left on": f"{row['residual_burr_mm'] / 0.0254:.1f}", "note": ""})
        if i % 9 == 4:
            kept[-1]["Where"] = kept[-1]["Where"].capitalize()
        if i % 13 == 6:
            kept[-1]["Grade"] = f" {kept[-1]['Grade']}  "
        if i % 17 == 3:
            kept[-1]["Burr"] = kept[-1]["Burr"].upper()
    kept[29]["Belt"] = kept[29]["Belt"].replace(".", "")     # one row of a plate: the point forgotten
    kept[70]["Grade"] = "A63"                                # one row of a plate: the figures the wrong way round
    kept[88]["Edge radius [in]"] = ""
    kept[88]["note"] = "edge nicked by the crane"
    return kept


def write(name, rows, delimiter=","):
    """A log as CSV, dirt and all."""
    with (HERE / name).open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0], delimiter=delimiter, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def main():
    """Write everything that lies beside this file."""
    write("trials.csv", yard())
    write("small-shop.csv", small_shop(), ";")
    truth = {"invented": "every number here and in the logs", "laws": LAWS, "spreads (SD of logs)": SPREAD,
             "positions": POSITION, "materials": MATERIAL}
    for name in ("study.yaml", "small-shop.yaml"):
        study = read_study(HERE / name)
        log = study.read_log()
        tried = log.rows.groupby("material")["feed_speed_m_min"].agg(["min", "max"])
        truth[f"true speed windows, m/min: {name}"] = {
            f"{job.title}, {job.grit}, {job.drum_pressure_kPa:.0f} kPa, "
            f"{job.sheet_hours[0]:g} to {job.sheet_hours[1]:g} h":
            true_window(job, *tried.loc[job.material]) for job in study.jobs(log)}
    text = json.dumps(truth, indent=1, ensure_ascii=False)
    (HERE / "truth.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
