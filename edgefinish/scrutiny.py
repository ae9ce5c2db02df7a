"""Checks of the fit: does it predict sheets and plates that it has not seen, what hangs on which of them, what would
other priors have given, does the log look like one that the fit would make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
from scipy.special import betaincinv, ndtri

from . import evidence
from .explore import FEWEST_NODES, SEED
from .grounds import BURR_LEFT
from .heldout import (
    BAND,
    MOST_ROWS,
    Left,
    burr_foreseen,
    evenly,
    left_out,
    plate_folds,
    sheet_groups,
    unseen,
)
from .intervals import speed_intervals
from .job import Job, SpeedWindow
from .laws import CURVATURE, FEED
from .layout import POSITIONS, Layout
from .linefit import LineFit
from .linemodel import LineModel
from .otherpriors import BURR, CUT, assumed_otherwise, others_of, said, window_of
from .promise import Promise
from .results import Results
from .rows import Floats
from .units import shown
from .wording import change, job_name, limit, percent, speeds

QUANTILES = (0.05, 0.25, 0.50, 0.75, 0.95)
MOVED = 0.05
"""A window's end that moves by this share when a sheet is left out is worth a look; less is near the noise of the
draws. Judgement, no source."""
_COPIES = 400
_LISTED = 8
_TELLING = 0.35  # a wider 95 % range of a share tells little


@dataclass(frozen=True, eq=False)
class Check:
    """One check: its numbers, and what they say in a sentence."""

    table: pd.DataFrame
    sentence: str


@dataclass(frozen=True, eq=False)
class Scrutiny:
    """All checks of one study's fit, each worked out when first asked for."""

    results: Results

    def __getstate__(self) -> dict[str, object]:
        """What is handed on: the checks, and not the many fits behind them."""
        return {name: value for name, value in vars(self).items() if not name.startswith("_")}

    @cached_property
    def _without_sheets(self) -> tuple[Left, ...]:
        return left_out(self.results.model, sheet_groups(self.results.model))

    @cached_property
    def _unseen_plates(self) -> pd.DataFrame:
        return unseen(self.results, left_out(self.results.model, plate_folds(self.results.model)), "run")

    @cached_property
    def _unseen_sheets(self) -> pd.DataFrame:
        return unseen(self.results, self._without_sheets, "abrasive_sheet")

    @cached_property
    def held_out(self) -> Check:
        """Left-out sheets and plates against their 90 % band: columns `left_out`, `units`, `readings`, `inside` (share
        of the readings) and its 95 % range `low`, `high`, in which a sheet or a plate counts as one trial."""
        return _held_out(self._unseen_sheets, self._unseen_plates, self._unseen_removal)

    @cached_property
    def _unseen_removal(self) -> pd.DataFrame:
        left = self._without_sheets if any(w.job.removal_um for w in self.results.windows) else ()
        return unseen(self.results, left, "abrasive_sheet", "removal_um")

    @cached_property
    def burr(self) -> Check:
        """Burr on sheets that were left out, for each limit that a job sets: `limit`, `left_out`, `edges`, `left`
        (edges with more burr), `foreseen` (median), `low`, `high` (90 %) of how many the rest of the log foresees."""
        return _burr(self.results, self._without_sheets)

    @cached_property
    def sheets(self) -> Check:
        """Each left-out sheet against what the others say of it: `abrasive_sheet`, `material`, `readings`, `inside`,
        `effect` (measured radius over predicted), `score` (how many SDs of a new sheet that is)."""
        return _units(self._unseen_sheets, "abrasive_sheet", "sheet")

    @cached_property
    def influence(self) -> Check:
        """Windows with sheets left out: `job`, `left_out`, `window`, `without`, and `low_moves_percent`,
        `high_moves_percent` of its ends; missing where no window is left or the rest cannot judge the job.

        For the first job of each material that has a window. Where sheets are many some are left out together, of
        different materials: all share one spread of sheets, so one odd sheet moves every material's window."""
        return _influence(self.results, self._without_sheets, self._unseen_sheets)

    @cached_property
    def plates(self) -> Check:
        """The left-out plates furthest from what the rest says, their sheet known: `run` and columns as in `sheets`."""
        check = _units(self._unseen_plates, "run", "plate")
        furthest = check.table["score"].abs().sort_values(ascending=False, kind="stable").index[:_LISTED]
        return Check(check.table.loc[furthest].reset_index(drop=True), check.sentence)

    @cached_property
    def priors(self) -> Check:
        """Windows under other priors of how much sheets differ: `job`, `spread` ("sheets" as a fraction of the radius,
        or "burr of sheets" over the burr's own scatter), `prior_median`, `posterior_median`, `window`.

        For the first job of each material that has a window; of burr, the first whose window burr ends."""
        return _priors(self.results)

    @cached_property
    def alike(self) -> Check:
        """Radii by position against logs that the fit makes: `edge_position`, `quantile`, `observed`, and `low`,
        `median`, `high` (90 %) of the same quantile in logs with other sheets, plates and edges; as factors on the
        radius that settings and position give."""
        return _alike(self.results.model)

    def questions(self) -> tuple[tuple[str, str, Check], ...]:
        """The checks that are tables, each with its name here and the question that it answers."""
        return (("held_out", "Does the fit predict sheets and plates that it has not seen?", self.held_out),
                ("burr", "Does it foresee burr on sheets that it has not seen?", self.burr),
                ("sheets", "Which sheets are unlike what the others say?", self.sheets),
                ("influence", "Does a window hang on one sheet?", self.influence),
                ("plates", "Which plates lie far from their sheet?", self.plates),
                ("priors", "What would another assumption about sheets have given?", self.priors))

    @cached_property
    def curve(self) -> str:
        """Whether radius goes with a plain power of feed speed, and what to mind where it does not."""
        return _curve(self.results.model)


def scrutinise(results: Results) -> Scrutiny:
    """The checks of a study's fit, each worked out once and kept with the model.

    >>> from edgefinish.results import open_study
    >>> list(scrutinise(open_study()).plates.table.columns)
    ['run', 'material', 'readings', 'inside', 'effect', 'score']
    """
    return results.model._keep(("checks", results.windows), partial(Scrutiny, results))


def _range(inside: Floats, readings: Floats) -> tuple[float, float, float]:
    """Share inside and its 95 % range by Clopper and Pearson (Biometrika 26, 1934, 404), each unit one trial."""
    share = float(np.average(inside, weights=readings))
    n = len(inside)
    k = share * n
    low = float(betaincinv(k, n - k + 1, 0.025)) if k > 0 else 0.0
    return share, low, float(betaincinv(k + 1, n - k, 0.975)) if k < n else 1.0


def _burr(results: Results, left: Sequence[Left]) -> Check:
    model = results.model
    rows, odd = [], []
    for job in evidence.burr_limits(model, (w.job for w in results.windows)):
        for one in left:
            answer = burr_foreseen(results, one, job)
            if answer is None:
                continue
            found, edges, foreseen = answer
            low, middle, high = (int(v) for v in np.quantile(foreseen, (0.05, 0.5, 0.95), method="nearest"))
            names = ", ".join(sorted(set(model.log.rows["abrasive_sheet"][one.rows])))
            most = limit("residual_burr_mm", job.residual_burr_mm, model.units, "down")
            rows.append((most, names, edges, found, middle, low, high))
            if 2 * len(left) * min((foreseen >= found).mean(), (foreseen <= found).mean()) < 0.05:  # Bonferroni
                odd.append(f"{names}: {found} of {edges} kept too much burr, {low} to {high} were foreseen")
    table = pd.DataFrame(rows, columns=["limit", "left_out", "edges", "left", "foreseen", "low", "high"])
    if table.empty:
        return Check(table, "No job limits residual burr, or nothing can be left out and foreseen.")
    inside = int(table["left"].between(table["low"], table["high"]).sum())
    said = (f"Edges that kept too much burr, counted on sheets left out: {inside} of {len(table)} counts lie in the "
            "90 % range that the other sheets foresee.")
    return Check(table, f"{said} Look at the burr readings of {'; '.join(odd)}." if odd else
                 f"{said} None is further off than chance makes one of so many.")


def _held_out(sheets: pd.DataFrame, plates: pd.DataFrame, removal: pd.DataFrame) -> Check:
    rows = []
    for name, units in (("sheets", sheets), ("plates", plates), ("sheets, removal", removal)):
        if len(units):
            share, low, high = _range(units["inside"].to_numpy(float), units["readings"].to_numpy(float))
            rows.append({"left_out": name, "units": len(units), "readings": int(units["readings"].sum()),
                         "inside": share, "low": low, "high": high})
    table = pd.DataFrame(rows, columns=["left_out", "units", "readings", "inside", "low", "high"])
    if table.empty:
        return Check(table, "There is one sheet and one plate: nothing can be left out and predicted.")
    said = [f"{percent(round(r.inside, 3))} of {r.readings} readings {_of_what(r.left_out, r.units)} left out"
            f" (95 % range {percent(round(r.low, 2))} to {percent(round(r.high, 2))})" for r in table.itertuples()]
    bad = [r.left_out for r in table.itertuples() if not r.low <= BAND <= r.high]
    verdict = (f"That is not what it should be for {' and '.join(bad)}: look at those that stand out before believing "
               "a window." if bad else "That agrees." if table["high"].sub(table["low"]).max() < _TELLING else
               "That agrees, as far as so few can tell.")
    return Check(table, f"In their {percent(BAND)} band lie {' and '.join(said)}; {percent(BAND)} should. {verdict}")


def _of_what(left_out: str, units: int) -> str:
    what, _, reading = left_out.partition(", ")
    return f"of {reading} on {units} {what}" if reading else f"on {units} {what}"


def _score_to_name(count: int) -> float:
    """SDs beyond which one of `count` stands out: chance names one in 20 such tables (Bonferroni)."""
    return float(-ndtri(0.025 / max(count, 1)))


def _named(table: pd.DataFrame, name: str, word: str, count: int) -> str:
    """Which of a table's sheets or plates stand out, the furthest first; else how far the furthest is."""
    by_size = table.reindex(table["score"].abs().sort_values(ascending=False, kind="stable").index)
    out = by_size[by_size["score"].abs() > _score_to_name(count)]
    said = [f"{getattr(r, name)} ({r.material}, {change(r.effect)})" for r in (out if len(out) else by_size[:1])
            .itertuples()][:_LISTED]
    if len(out):
        return f"Look first at {word} {', '.join(said)}: further off than chance makes one of {count}."
    return f"No {word} stands out; the furthest off is {said[0]}, as one of {count} may be by chance."


def _units(units: pd.DataFrame, name: str, word: str) -> Check:
    table = pd.DataFrame({name: units["unit"], "material": units["material"], "readings": units["readings"],
                          "inside": units["inside"].astype(float), "effect": np.exp(units["shift"].astype(float)),
                          "score": units["shift"].astype(float) / units["sd"].astype(float)})
    table = table.sort_values([name, "material"], kind="stable", ignore_index=True)
    if table.empty:
        return Check(table, f"There is one {word}: none can be left out and predicted by others.")
    return Check(table, _named(table, name, word, len(table)))


def _first_windows(results: Results, ended_by: str | None = None) -> list[SpeedWindow]:
    """The first job with a window of each material; with `ended_by` one that this limit ends."""
    first: dict[str, SpeedWindow] = {}
    for window in results.windows:
        if window.verdict == "window" and (ended_by is None or ended_by in (window.binds_low, window.binds_high)):
            first.setdefault(results.model.material_of(window.job), window)
    return list(first.values())


def _window_of(promise: Promise, job: Job, layout: Layout) -> tuple[float, float] | None:
    """A window as the model gives it."""
    return window_of(*speed_intervals(promise, job.share), job.confidence, layout.centre.feed_speed_m_min)


def _judges(fit: LineFit, job: Job) -> bool:
    """Whether a log with rows left out still holds what the job's window rests on."""
    rows = fit.log.rows
    if not (fit.materials == fit.material_of(job)).any() or evidence.unread(fit, job):
        return False
    severities = rows["burr_severity"] if job.burr_severity and "burr_severity" in rows else None
    return severities is None or bool((severities == job.burr_severity).any())


def _printed(window: tuple[float, float] | None, job: Job, results: Results) -> str:
    if window is None:
        return "none"
    low, high = window
    return str(speeds(SpeedWindow(job=job, verdict="window", low_m_min=low, high_m_min=high,
                                  recommended_m_min=(low * high) ** 0.5), results.study.units))


def _influence(results: Results, left: Sequence[Left], units: pd.DataFrame) -> Check:
    model, system = results.model, results.study.units
    columns = ["job", "left_out", "window", "without", "low_moves_percent", "high_moves_percent"]
    score = (units["shift"] / units["sd"]).abs().set_axis(units["unit"]) if len(units) else pd.Series(dtype=float)
    rows, named = [], []
    for whole in _first_windows(results):
        job = whole.job
        tried = evidence.Tried.of(model, job).speeds
        base = _window_of(model.promise(job, tried), job, model.law_for(job).layout)
        for one in left if base is not None else ():
            own = sorted(set(model.log.rows["abrasive_sheet"][one.rows]))
            names = ", ".join(own)
            if not _judges(one.fit, job):
                rows.append((job_name(job, system), names, _printed(base, job, results), "cannot be judged", np.nan,
                             np.nan))
                continue
            now = _window_of(one.fit.promise(job, tried), job, one.fit.law_for(job).layout)
            moves = (np.nan, np.nan) if now is None else (now[0] / base[0] - 1, now[1] / base[1] - 1)
            rows.append((job_name(job, system), names, _printed(base, job, results), _printed(now, job, results),
                         round(100 * moves[0], 1), round(100 * moves[1], 1)))
            size = np.inf if now is None else max(abs(moves[0]), abs(moves[1]))
            worst = max(own, key=lambda s: float(score.get(s, 0.0)))
            named.append((size, f"sheet {names}" if len(own) == 1 else f"sheets {names}, of which {worst} is the "
                          "furthest off", rows[-1]))
    table = pd.DataFrame(rows, columns=columns)
    if not named:
        return Check(table, "No job has a window that could be worked out again without a sheet.")
    size, sheet, row = max(named, key=lambda n: n[0])
    if size < MOVED:
        return Check(table, "No window hangs on a single sheet: whichever are left out, no end moves by more than "
                            f"{percent(np.ceil(100 * size) / 100)}.")
    without = "there would be no window" if row[3] == "none" else f"it would be {row[3]}"
    return Check(table, f"The window of {row[0]} hangs most on {sheet}: without, {without} instead of "
                        f"{row[2]}. Make sure that what is left out here is like the sheets to come.")


def _priors(results: Results) -> Check:
    model, system = results.model, results.study.units
    columns = ["job", "spread", "prior_median", "posterior_median", "window"]
    rows, moved, spans = [], [], {}
    asked = [(CUT, w.job) for w in _first_windows(results)]
    asked += [(BURR, w.job) for w in _first_windows(results, BURR_LEFT)]
    for what, job in asked:
        others, found = others_of(model, job, what), []
        for other in others:
            few = other.nodes < FEWEST_NODES
            found.append(None if few else other.ends)
            rows.append((job_name(job, system), what, other.assumed, other.found,
                         "too far from these trials to say" if few else _printed(found[-1], job, results)))
        spans.setdefault(what, said(what, others[0].assumed, others[-1].assumed))
        base = found[1]
        for k in (0, -1) if base else ():
            size = max(abs(a / b - 1) for a, b in zip(found[k], base, strict=True)) if found[k] else np.inf
            moved.append((size, job, assumed_otherwise(what, k), found[k], base))
    table = pd.DataFrame(rows, columns=columns)
    if not moved:
        return Check(table, "No job has a window to work out again under other priors.")
    size, job, assumed, there, base = max(moved, key=lambda m: m[0])
    if size < MOVED:
        return Check(table, f"What is assumed of sheets hardly matters: with {' or '.join(spans.values())}, sheet to "
                            f"sheet, no window's end moves by more than {percent(np.ceil(100 * size) / 100)}.")
    name, own = job_name(job, system), _printed(base, job, results)
    then = (f"the window of {name} would be {_printed(there, job, results)} instead of {own}" if there else
            f"these trials would carry no window of {name}, where they carry {own} now")
    return Check(table, f"What is assumed of sheets matters: {assumed}, {then}. More sheets in the trial make it "
                        "matter less.")


def _alike(model: LineModel) -> Check:
    """The log's radii against those of logs that the fit makes at its settings; the gauge's ends count for both."""
    fitted = model.law()
    layout, post = fitted.layout, fitted.posterior
    pick = evenly(np.arange(len(post.data.y)), 4 * MOST_ROWS)
    data = post.data
    node, coef = post.draws(_COPIES)
    sd, tail = post.nodes.sd[node], post.nodes.tail[node, :1]
    rng = np.random.default_rng(SEED + 1)
    plates = data.plate_columns.shape[2]
    sheet = rng.standard_normal((2, len(node), len(layout.sheets))) * sd[:, 2:4].T[:, :, None]
    base = coef[:, :plates] @ data.plate_columns[:, 0].T + sheet[0][:, data.sheet]
    base += sheet[1][:, data.sheet] * data.sheet_load[:, 0, 1]
    base += sd[:, 1:2] * rng.standard_normal((len(node), len(data.sheet)))
    made = base[:, data.plate[pick]] + coef[:, plates:] @ data.row_columns[pick].T
    mean = post.moments()[0]
    given = (data.plate_columns[:, 0] @ mean[:plates])[data.plate[pick]] + data.row_columns[pick] @ mean[plates:]
    edge = sd[:, :1] * (1.0 if data.edge_factor is None else data.edge_factor[pick])
    made += edge * rng.standard_t(np.broadcast_to(1 / tail, made.shape))
    y, side = data.y[pick], data.side[pick]
    least, most = y[side < 0].max(initial=-np.inf), y[side > 0].min(initial=np.inf)
    made, seen = np.clip(made, least, most) - given, np.clip(y, least, most) - given
    where = model.log.rows["edge_position"].to_numpy()[layout.row[pick]]
    rows = []
    for position in [p for p in POSITIONS if p in layout.positions]:
        mine = where == position
        observed = np.exp(np.quantile(seen[mine], QUANTILES))
        copies = np.exp(np.quantile(made[:, mine], QUANTILES, axis=1))
        low, median, high = np.quantile(copies, (0.05, 0.5, 0.95), axis=1)
        rows += [dict(zip(("edge_position", "quantile", "observed", "low", "median", "high"), values, strict=True))
                 for values in zip([position] * len(QUANTILES), QUANTILES, observed, low, median, high, strict=True)]
    table = pd.DataFrame(rows)
    off = table[(table["observed"] < table["low"]) | (table["observed"] > table["high"])]
    said = (f"{len(off)} of {len(table)} quantiles of the measured radii lie outside the 90 % band of logs that the "
            "fit makes")
    if not len(off):
        return Check(table, f"{said}: the log looks like one of them.")
    places = ", ".join(dict.fromkeys(off["edge_position"]))
    tail_said = ("as chance would have it" if len(off) <= 0.25 * len(table) else
                 "more than chance would have: the fit does not describe them")
    return Check(table, f"{said} ({places}), {tail_said}.")


def _curve(model: LineModel) -> str:
    fitted = model.law()
    mean, sd = fitted.posterior.moments()
    first = fitted.layout.names.dose.start + 1
    slope, bend = mean[first + FEED], mean[first + CURVATURE]
    speed = model.log.rows["feed_speed_m_min"]
    ends = [(shown("feed_speed_m_min", v, model.units),
             slope + 2 * bend * np.log(v / fitted.layout.centre.feed_speed_m_min)) for v in (speed.min(), speed.max())]
    if abs(bend) <= 2 * sd[first + CURVATURE]:
        return f"Edge radius goes with one power of feed speed, about {slope:.2f}, over the whole range tried."
    return (f"Warning: the law of speed curves. Edge radius goes with the power {ends[0][1]:.2f} of feed speed at "
            f"{ends[0][0]} and {ends[1][1]:.2f} at {ends[1][0]}. Carry nothing on beyond the speeds tried; run more "
            "plates near the ends of the windows.")
