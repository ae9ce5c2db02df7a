"""What the notebooks say and lay out: tables in the study's units, sentences made from results, sets of pictures."""

from __future__ import annotations

import html
from collections.abc import Sequence
from functools import partial

import pandas as pd

from .evidence import burr_limits
from .figures import burr_figure, radius_by_position, removal_figure, show, window_figure
from .job import SpeedWindow
from .nextplates import NextPlates, next_plates
from .origins import origins_figure, origins_said
from .pressures import one_a_grit, pressure_figure, pressures_said
from .results import Results
from .setupsheet import sheet_name
from .study import Study
from .tables import Table
from .triallog import TrialLog
from .units import QUANTITIES, in_shown, shown, unit_of
from .wear import wear_by_sheet
from .wording import answer, change, count, job_name, listed, percent, settings, speeds

MEASURED = ("edge_radius_mm", "burr_height_mm", "residual_burr_mm", "removal_um")
# A coefficient whose posterior is nearly as wide as its prior was not learned from the trials.
LEARNED = 0.8
FAR_OFF = 4.0
# What an operator sets, in the order in which it is looked up; the rest says which plate to take.
AT_THE_LINE = ("plate", "sheet", "contact_hours", "feed_speed_m_min", "drum_pressure_kPa", "grit", "passes", "material",
               "cut", "thickness_mm", "burr")
WORDS_AT_THE_LINE = {"abrasive_sheet": "sheet", "cut_process": "cut", "burr_severity": "burr"}


def say(*texts: str) -> None:
    """Sentences in a notebook, a paragraph for each line, which wrap as the page does; names come out as text.

    >>> say("<b>", "two")
    {'text/html': '<p>&lt;b&gt;</p><p>two</p>', 'text/plain': '<b>\\ntwo'}
    """
    from IPython.display import display

    said = "\n".join(texts)
    paragraphs = "".join(f"<p>{html.escape(line)}</p>" for line in said.split("\n"))
    display({"text/html": paragraphs, "text/plain": said}, raw=True)


def readable(table: pd.DataFrame, units: str) -> pd.DataFrame:
    """A table with its quantities in the unit shown, each named with that unit.

    >>> readable(pd.DataFrame({"grit": ["P80"], "feed_speed_m_min": [1.5]}), "imperial").columns.tolist()
    ['grit', 'feed speed, ft/min']
    """
    out = {}
    for name in table.columns:
        quantity = QUANTITIES.get(name)
        unit = unit_of(name, units) if quantity else ""
        label = f"{quantity.label}, {unit}" if quantity and unit else str(name).replace("_", " ")
        dates = table[name].dtype.kind == "M"
        out[label] = ([_number(name, v, units) for v in table[name]] if quantity else
                      table[name].dt.strftime("%Y-%m-%d") if dates else table[name])
    return pd.DataFrame(out, index=table.index)


def _number(name: str, value: float | str, units: str) -> str:
    """A number of a quantity without its unit, rounded as the trade does; a reading with one digit more.

    A reading beyond what the gauge resolves keeps its sign.
    """
    if isinstance(value, str) and value[:1] in ("<", ">"):
        return value[0] + _number(name, float(value[1:]), units)
    if pd.isna(value):
        return ""
    if name not in MEASURED:
        return shown(name, value, units).split()[0]
    quantity = QUANTITIES[name]
    decimals = 1 + (quantity.metric_decimals if units == "metric" else quantity.imperial_decimals)
    return f"{float(in_shown(name, value, units)):.{decimals}f}"


def log_said(log: TrialLog) -> str:
    """How much was read, and of what."""
    rows, left = log.rows[log.measured], int((~log.measured).sum())
    if rows.empty:
        return f"No edge is measured yet: {count(left, 'row')} without a reading."
    return (f"{count(len(rows), 'measured edge')} on {count(rows['run'].nunique(), 'plate')} of "
            f"{listed(sorted(rows['material'].astype(str).unique()))}, with "
            f"{count(rows['abrasive_sheet'].nunique(), 'abrasive sheet')} of grit "
            f"{listed(sorted(rows['grit'].astype(str).unique(), key=lambda g: int(g[1:])))}."
            + (f" {count(left, 'row')} without a reading." if left else ""))


def earlier_said(log: TrialLog) -> str:
    """How much was read of an earlier log of the line."""
    return f"Earlier log {log.source}: {log_said(log)}"


def messages(log: TrialLog) -> pd.DataFrame:
    """What was converted, set aside or told, with the rows as the spreadsheet counts them."""
    return pd.DataFrame([{"row": "" if m.row is None else m.row, "column": m.column or "", "what": m.kind,
                          "message": m.text} for m in log.messages], columns=["row", "column", "what", "message"])


def messages_said(log: TrialLog) -> str:
    """How many messages there are of each kind, and what to do."""
    kinds = pd.Series([m.kind for m in log.messages], dtype=str).value_counts()
    if kinds.empty:
        return "The log was read as it stands: nothing was converted, set aside or told."
    parts = [f"{number} {kind}" for kind, number in sorted(kinds.items())]
    return f"{listed(parts)}. Read each one before believing the fit."


def tried(log: TrialLog, units: str) -> pd.DataFrame:
    """Plates and sheets for each material, cut process and burr severity, with the range of each setting."""
    rows = log.of_measured().rows
    by = [name for name in ("material", "cut_process", "burr_severity") if name in rows]
    runs = rows.drop_duplicates("run").fillna({name: "" for name in by})
    groups = runs.groupby(by, sort=True)
    table = groups.agg(plates=("run", "size"), sheets=("abrasive_sheet", "nunique"))
    for name in ("feed_speed_m_min", "drum_pressure_kPa", "thickness_mm", "contact_hours"):
        low, high = ([_number(name, v, units) for v in ends] for ends in (groups[name].min(), groups[name].max()))
        label = f"{QUANTITIES[name].label}, {unit_of(name, units)}"
        table[label] = [a if a == b else f"{a} to {b}" for a, b in zip(low, high, strict=True)]
    return table.reset_index().rename(columns=lambda name: name.replace("_", " "))


def readings(log: TrialLog) -> pd.DataFrame:
    """For each measured column: measured, below and above the gauge, blank."""
    rows = []
    for name in MEASURED:
        if name in log.rows:
            reading = log.reading(name)
            measured = pd.notna(reading.value)
            rows.append({"reading": QUANTITIES[name].label, "measured": int((measured & (reading.side == 0)).sum()),
                         "below the gauge": int((reading.side < 0).sum()),
                         "above the gauge": int((reading.side > 0).sum()), "blank": int((~measured).sum())})
    return pd.DataFrame(rows)


def readings_said(log: TrialLog) -> str:
    """How many edge radii the gauge could not resolve, and what becomes of them."""
    reading = log.reading("edge_radius_mm")
    outside = int((reading.side != 0).sum())
    if not outside:
        return "Every edge radius that was measured lies within what the gauge resolves."
    return (f"{count(outside, 'edge radius', 'edge radii')} of {count(len(reading.side), 'edge')} "
            f"{'lies' if outside == 1 else 'lie'} outside what the gauge resolves; the fit knows them as below or "
            "above, not as a number.")


def spreads_said(results: Results) -> str:
    """Which level of chance is the largest in the edge radius."""
    spreads = results.model.spreads()
    radius = spreads[spreads["law"] == "edge radius"]
    largest = radius.loc[radius["median"].idxmax()]
    return (f"Edge radius spreads most from {largest['level']} to {largest['level']}: about "
            f"{percent(round(float(largest['median']), 2))} of the radius.")


def taught(results: Results) -> pd.DataFrame:
    """Every term of the laws, and of burr for each limit that a job sets, prior against posterior."""
    model = results.model
    limits = burr_limits(model, (w.job for w in results.windows))
    return pd.concat([model.coefficients(), *(model.burr_law(job) for job in limits)], ignore_index=True)


def coefficients_said(results: Results) -> str:
    """Which terms the trials could not tell, so that what was assumed stands."""
    table = taught(results)
    kept = table[(table["prior_sd"] > 0) & (table["sd"] > LEARNED * table["prior_sd"])]
    if kept.empty:
        return "The trials told something about every term: none rests on its assumed value alone."
    words = [f"{term} ({law})" for law, term in zip(kept["law"], kept["term"], strict=True)]
    return f"The trials tell little about {listed(words)}: there the assumed value stands. Vary these to learn them."


def sheets_said(results: Results) -> str:
    """How far the abrasive sheets lie apart."""
    sheets = results.model.sheets()
    if sheets.empty:
        return "No sheet effect was fitted."
    low, high = sheets.loc[sheets["effect"].idxmin()], sheets.loc[sheets["effect"].idxmax()]
    return (f"Sheet {high['abrasive_sheet']} rounds most, {change(high['effect'])}, and sheet "
            f"{low['abrasive_sheet']} least, {change(low['effect'])}, against a usual sheet.")


def residuals_said(results: Results) -> str:
    """How many edges lie far from the fit, and where to look first."""
    table = results.model.residuals()
    far = table[(table["residual"].abs() > FAR_OFF) & (table["side"] == 0)]
    if far.empty:
        return f"No measured edge lies more than {FAR_OFF:g} standard deviations from the fit."
    worst = far.loc[far["residual"].abs().idxmax()]
    row = results.log.rows.loc[worst["row"]]
    return (f"{count(len(far), 'measured edge')} {'lies' if len(far) == 1 else 'lie'} more than {FAR_OFF:g} standard "
            f"deviations from the fit; look first at run {row['run']}, {row['edge_position']} edge ({worst['law']}).")


def windows_table(study: Study, windows: Sequence[SpeedWindow]) -> pd.DataFrame:
    """One row a job: settings, verdict, window with its ends on the safe side, set point, what binds each end."""
    rows = []
    for window in windows:
        at = speeds(window, study.units) if window.verdict == "window" else None
        rows.append({"job": job_name(window.job, study.units), "settings": settings(window.job, study.units),
                     "window": str(at) if at else window.verdict,
                     "set point": f"{at.set_point} {at.unit}" if at else "",
                     "binds below": window.binds_low or "", "binds above": window.binds_high or ""})
    return pd.DataFrame(rows)


def answers_said(results: Results) -> str:
    """One paragraph for each job: what binds its ends, or why it has no window and what to run or to change."""
    return "\n".join(" ".join([answer(w, results.study.units), *w.reasons[:2 if w.verdict == "window" else None]])
                     for w in results.windows)


def show_windows(results: Results) -> None:
    """The window of each job that got one, with the readings under it."""
    for window in issued(results):
        show(window_figure(results, window))


def show_pressures(results: Results) -> None:
    """The window over pressure of the first job of each material and grit."""
    for window in one_a_grit(results, results.windows):
        show(pressure_figure(results, window))


def pressures_answered(results: Results) -> str:
    """For the first job of each material and grit: at which pressures it has a window, where it is widest."""
    return "\n".join(pressures_said(results, w) for w in one_a_grit(results, results.windows)) or (
        "Only one pressure was tried on each material that could be judged: no other can be promised.")


def show_origins(results: Results) -> None:
    """Where the uncertainty of the first job of each material comes from."""
    for window in first_of_each_material(results.windows):
        show(origins_figure(results, window))


def origins_answered(results: Results) -> str:
    """For the first job of each material: what spreads its radius most, and what more trials could win."""
    return "\n".join(origins_said(results, w) for w in first_of_each_material(results.windows))


def show_laws(results: Results) -> None:
    """Radius by position, wear by sheet, removal and burr for the first job of each material."""
    for window in first_of_each_material(results.windows):
        show(radius_by_position(results, window))
        show(wear_by_sheet(results, window))
        if "removal_um" in results.log.rows:
            show(removal_figure(results, window))
        if "residual_burr_mm" in results.log.rows:
            show(burr_figure(results, window))


def first_of_each_material(windows: Sequence[SpeedWindow]) -> tuple[SpeedWindow, ...]:
    """The first window of each material, one with speeds before one without.

    >>> from edgefinish import Job
    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> none, some = SpeedWindow(job=job, verdict="no window"), SpeedWindow(job=job, verdict="window")
    >>> first_of_each_material([none, some]) == (some,)
    True
    """
    first: dict[str, SpeedWindow] = {}
    for window in sorted(windows, key=lambda w: w.verdict != "window"):
        first.setdefault(window.job.material, window)
    return tuple(first.values())


def issued(results: Results) -> tuple[SpeedWindow, ...]:
    """The windows of the jobs that got one."""
    return tuple(w for w in results.windows if w.verdict == "window")


def sheets_table(results: Results) -> pd.DataFrame:
    """The setup sheets: for which job, with which speeds, under which file name."""
    rows = [{"job": job_name(w.job, results.study.units), "feed speed": str(speeds(w, results.study.units)),
             "file": sheet_name(w, results.study.units)} for w in issued(results)]
    return pd.DataFrame(rows, columns=["job", "feed speed", "file"])


def claims(results: Results) -> list[str]:
    """What the windows of a study claim, and how many of them may fail; nothing where there are none."""
    got = issued(results)
    said = [f"With {percent(confidence)} confidence a window holds as a whole: at every speed in it and every sheet "
            f"age of its job, at least {percent(share)} of future edges at the worst measured edge position meet "
            "every limit together." for share, confidence in sorted({(w.job.share, w.job.confidence) for w in got})]
    fail = sum(1 - w.job.confidence for w in got)
    if got and fail < 1.5:
        said.append(f"This holds for one job: of {round(len(got) / fail)} such windows about one may fail to hold.")
    elif got:
        said.append(f"This holds for one job: of {len(got)} windows about {fail:.0f} may fail to hold.")
    return said


def claims_said(results: Results) -> str:
    """What the windows claim, how many of them may fail, and what is measured whatever they say."""
    said = claims(results)
    if not said:
        return "No job got a window, so nothing is claimed. The reasons above say what to run."
    return "\n".join([*said, "The first-off edges are measured before release, window or not."])


def record_said(results: Results) -> str:
    """What the numbers hang on, one a line."""
    return "\n".join(f"{name.replace('_', ' ')}: {value}" for name, value in sorted(results.record.items())
                     if name != "parameters")


def told_said(study: Study) -> str:
    """Every default and choice of the study."""
    return "\n".join(study.told) or "The study file says everything; no default was taken."


def _more_plates(results: Results) -> NextPlates | None:
    """The few plates that would widen the windows most, looked for once; None where the study does not ask."""
    study, jobs = results.study, tuple(w.job for w in results.windows)
    asked, apart = study.next_plates, study.trial.apart if study.trial else ()
    return None if asked is None else results.model._keep(
        ("next plates", jobs, asked, apart), partial(next_plates, results.model, jobs, plates=asked, apart=apart))


def more_plates_said(results: Results) -> str:
    """What a few more plates would gain, and when to stop, where the study asks."""
    told = _more_plates(results)
    if told is None:
        return ("Not asked for. A line such as 'next_plates: 4' in the study file has the plates looked for that would "
                "widen the windows most, and says what they are expected to gain.")
    return told.said


def more_plates(results: Results) -> Table | None:
    """The plates to run next, a row each as it is set at the line; None where none is proposed."""
    told = _more_plates(results)
    if told is None or told.stop or told.plates.empty:
        return None
    plates = told.plates.assign(plate=[str(k + 1) for k in range(len(told.plates))]).rename(columns=WORDS_AT_THE_LINE)
    table = readable(plates[[name for name in AT_THE_LINE if name in plates]], results.study.units)
    return Table(table.rename(columns={"contact hours, h": "sheet age, h"}).fillna("as it comes"),
                 "Plates to run, in this order. Sheet: one of the log, or a new one; its age: as the plate goes in.")


def show_more_plates(results: Results) -> None:
    """The same in a notebook."""
    from IPython.display import display

    table = more_plates(results)
    if table is not None:
        display(table)
