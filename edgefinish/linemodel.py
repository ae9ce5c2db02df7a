"""The line as the trials show it: the laws fitted over all materials together, and the windows that follow."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from . import evidence, further, grounds, insight, leaning, remarks, startingpoint
from .copied import without_copies
from .errors import JobError, LogError, Problem
from .handedin import one_job, the_jobs, the_line, the_severities, the_units
from .history import without_few, without_repeats
from .job import Job, Line, SpeedWindow
from .lawfit import LawFit
from .linefit import JOINT_DRAWS, LineFit
from .priors import JOINT, STANDARD
from .rows import Floats
from .shares import worst_shares
from .startingpoint import StartingPoint
from .triallog import TrialLog
from .units import System
from .window import LEAST_WIDTH, confidence_at, set_point, windows_of
from .wording import Remark, refused, shown_span


@dataclass(frozen=True, eq=False)
class LineModel(LineFit):
    """The fitted line. Made by `fit`; answers are the same for the same log, in any order of its rows."""

    def window(self, job: Job) -> SpeedWindow:
        """The widest speed window that may be promised for a job, or why there is none.

        >>> import edgefinish as ef
        >>> model = ef.open_study().model
        >>> model.window(ef.Job(material="unheard of", thickness_mm=8, drum_pressure_kPa=60, grit="P80",
        ...                     edge_radius_mm=(0.2, 0.6))).verdict
        'not enough evidence'
        """
        one_job(job)
        if (bare := self._without_idle_burr(job)) != job:
            answer = self.window(bare)
            idle = remarks.idle_burr(self, job)
            return replace(answer, job=job, reasons=(*answer.reasons, idle.text),
                           remedies=(*answer.remedies, idle.remedy) if answer.remedies else ())
        tried, gaps = self._evidence(job)
        if gaps:
            start = self.starting_point(job)
            *lacks, last = gaps if start is None else [*gaps[:-1], start.sentence, gaps[-1]]
            asks = Remark(last) if evidence.unable(self, job) else Remark("", last)
            return refused(job, "not enough evidence", [*map(Remark, lacks), asks])
        fitted = self.law_for(job)
        promise = self.promise_of(fitted, job, tried.speeds)
        (found, low, high), *others = looked = windows_of(promise, job.share, job.confidence)
        if found is None:
            wide = np.max([one.high - one.low for one in looked], axis=0) >= LEAST_WIDTH
            return grounds.refusal(self, job, fitted, promise, float(wide.mean()))
        lean = leaning.lean_of(fitted, job, self.material_index(fitted.layout, job))
        kept = leaning.carried(lean, found)
        if kept is None:
            return leaning.unsupported(self, job, found, fitted)
        point = set_point(low, high, kept)
        centre = fitted.layout.centre.feed_speed_m_min
        slow, fast, best = (float(centre * np.exp(v)) for v in (*kept, point))
        slow, fast = max(slow, tried.low), min(fast, tried.high)
        best = min(max(best, slow), fast)
        ends = grounds.bindings(self, job, *leaning.cut(promise, tried, found, kept, centre), kept,
                                shown_span(slow, fast, best, self.units))
        said = [*(Remark(end.sentence) for end in ends), *evidence.severity_unsaid(self, job)]
        said += [*grounds.apart(self, others, centre), *further.said(self, job, promise, tried, kept)]
        said += [] if kept == found else [leaning.cut_off(self, job, found, centre)]
        said += leaning.said(float(lean(np.array(kept)).max()))
        said += remarks.flags(self, job, fitted, tried, (slow, fast))
        return SpeedWindow(
            job=job, verdict="window", low_m_min=slow, high_m_min=fast, recommended_m_min=best, binds_low=ends[0].what,
            binds_high=ends[1].what, confidence_at=float(confidence_at(low, high, np.array([point]))[0]),
            reasons=tuple(one.text for one in said), remedies=tuple(one.remedy for one in said))

    def starting_point(self, job: Job) -> StartingPoint | None:
        """Where to start the trial of a material that was never run; None where it was, or where nothing tells.

        By what the log's other materials have in common and how far they stand apart: a guess, and no promise.

        >>> import edgefinish as ef
        >>> model = ef.open_study().model
        >>> job = ef.Job(material="unheard of", thickness_mm=8, drum_pressure_kPa=60, grit="P80",
        ...              edge_radius_mm=(0.2, 0.6))
        >>> "no promise" in model.starting_point(job).sentence
        True
        """
        return startingpoint.starting_point(self, one_job(job))

    def windows(self, jobs: Iterable[Job]) -> pd.DataFrame:
        """One row a job in the order given: every field of the job, then verdict, ends, set point and reasons."""
        rows = []
        for job in the_jobs(jobs):
            answer = self.window(job)
            rows.append({f.name: getattr(job, f.name) for f in fields(Job)} | {
                f.name: getattr(answer, f.name) for f in fields(SpeedWindow) if f.name != "job"})
        names = [f.name for f in fields(Job)] + [f.name for f in fields(SpeedWindow) if f.name != "job"]
        frame = pd.DataFrame(rows, columns=names)
        numbers = ["low_m_min", "high_m_min", "recommended_m_min", "confidence_at"]
        return frame.astype({n: float for n in numbers})

    def share(self, job: Job, feed_speed_m_min: ArrayLike) -> pd.DataFrame:
        """Share of future edges within every limit at the worst position and sheet age, speed by speed.

        Columns `feed_speed_m_min`; `median`, `low`, `high` of the share (central 90 % of the posterior); `confidence`,
        the posterior chance that the share is at least the job's over all its sheet ages, 0 outside tried speeds.
        Raises `JobError` for a job that cannot be judged from this log; its window says why.
        """
        speeds, job = _speeds(feed_speed_m_min), self._without_idle_burr(one_job(job))
        tried = self._judged(job)
        promise = self.promise(job, tried.speeds).thinned(JOINT_DRAWS)
        centre = self.law_for(job).layout.centre.feed_speed_m_min
        shares = worst_shares(promise, np.log(speeds / centre))
        low, median, high = np.quantile(shares, (0.05, 0.5, 0.95), axis=0)
        inside = (speeds >= tried.low * (1 - 1e-12)) & (speeds <= tried.high * (1 + 1e-12))
        return pd.DataFrame({"feed_speed_m_min": speeds, "median": median, "low": low, "high": high,
                             "confidence": np.where(inside, (shares >= job.share).mean(0), 0.0)})

    def _without_idle_burr(self, job: Job) -> Job:
        """The job without a limit on burr that no burr of its plates is as high as, where another limit is left."""
        others = job.edge_radius_mm is not None or job.removal_um is not None
        return replace(job, residual_burr_mm=None) if others and self.idle_burr(job) is not None else job

    def _evidence(self, job: Job) -> tuple[evidence.Tried, list[str]]:
        tried = evidence.Tried.of(self, job)
        gaps = evidence.gaps(self, job, tried)
        if not gaps and not (self.law_for(job).posterior.settled
                             and (job.residual_burr_mm is None or self.burr_fit(job).settled)):
            gaps = evidence.unsettled(self, job, tried)
        return tried, gaps

    def _judged(self, job: Job) -> evidence.Tried:
        tried, gaps = self._evidence(job)
        if gaps:
            raise JobError(Problem(None, None, job.title, "a job that these trials can judge", gaps[0]), "job")
        return tried

    def response(self, job: Job, quantity: Literal["edge_radius_mm", "removal_um", "cleared"],
                 feed_speed_m_min: ArrayLike | None = None, contact_hours: ArrayLike | None = None,
                 edge_position: str | None = None) -> pd.DataFrame:
        """What a job's settings give, over feed speed or over sheet age; the other a number, or in the job's middle.

        `quantity` "edge_radius_mm", "removal_um", or "cleared": the share of edges with burr within the job's limit.
        Columns `feed_speed_m_min`, `contact_hours`; `median`, `low`, `high` of future edges (central 90 %; sheet, plate
        and edge); `mean_low`, `mean_high`, 90 % band of the median. Without a position: all that were measured.
        """
        tried = self._judged(one_job(job))
        speed = np.sqrt(tried.low * tried.high) if feed_speed_m_min is None else feed_speed_m_min
        hours = np.mean(job.sheet_hours) if contact_hours is None else contact_hours
        return insight.response(self, job, quantity, *np.broadcast_arrays(_speeds(speed), _hours(hours)), edge_position)

    def residuals(self) -> pd.DataFrame:
        """One row a reading: `row` of the log, `law`, `fitted` and `measured`, standardised `residual`, `side`."""
        return insight.residuals(self.log, self._whole)

    def coefficients(self) -> pd.DataFrame:
        """Each coefficient, prior against posterior: `law`, `term`, `prior_mean`, `prior_sd`, `mean`, `sd`, `learned`.

        `learned`: the share of the prior's SD that the trials took away; near 0 the assumed value stands.
        """
        return insight.coefficients(self._whole)

    def burr_law(self, job: Job) -> pd.DataFrame:
        """What decides whether burr is within a job's limit, prior against posterior; columns as of `coefficients`.

        In units of the burr's own scatter from edge to edge, at a radius and a burr height of 0.3 mm.
        """
        return insight.burr_law(self, one_job(job))

    def spreads(self) -> pd.DataFrame:
        """Each spread: `law`, `level`, `prior_median`, `median`, `low`, `high` (90 %), as fractions (0.08 = 8 %).

        `learned`: the share of the prior's SD (of the logarithm) that the trials took away.
        """
        return insight.spreads(self._whole)

    def sheets(self) -> pd.DataFrame:
        """Each sheet: `abrasive_sheet`, `effect` (factor on the radius), `low`, `high` (90 %), plates and ages run."""
        return insight.sheets(self.log, self._whole)

    @property
    def _whole(self) -> LawFit:
        removal = self.log.reading("removal_um")
        measured = (np.isfinite(removal.value) & (removal.side == 0)).any()
        return self.law(removal=bool(measured), priors=JOINT if measured else STANDARD)


def fit(log: TrialLog, *, line: Line | None = None, severities: Mapping[str, tuple[float, float]] | None = None,
        units: System = "metric", history: Iterable[TrialLog] = (), new_sheets: bool = False) -> LineModel:
    """Fit every material of the log, together; deterministic.

    `line`: what the line allows; `severities`: burr heights before (mm, from, to) that the shop's words mean; `units`
    of the sentences in `reasons`; `history`: earlier logs of the same line, of any material, from whose laws and
    spreads is learned; `new_sheets`: the sheets are of another lot or supplier than then. What was copied, or
    stands in two logs, counts once.
    """
    line, units, spans = the_line(line), the_units(units), the_severities(severities)
    history = _logs(log, history)
    past, repeated = without_repeats(log, [past.of_measured() for past in history])
    past, given = without_few(past), len(past)
    read, copied = without_copies(log.of_measured())
    return LineModel(read, line, spans, units,
                     tuple(without_copies(one)[0] for one in past), new_sheets, copied=copied, repeated=repeated,
                     too_few=given - len(past))


def _logs(log: object, history: Any) -> tuple[TrialLog, ...]:
    """The earlier logs, once it is sure that all are logs; else a `LogError`."""
    some = isinstance(history, Iterable) and not isinstance(history, (str, Mapping))
    listed = tuple(history) if some else None
    for one, what in ((log, "log"), *((past, "history") for past in listed or ())):
        if not isinstance(one, TrialLog):
            raise LogError(Problem(None, None, type(one).__name__, "a TrialLog", "read it with ef.read_log first"),
                           what)
    if listed is None:
        raise LogError(Problem(None, None, type(history).__name__, "a list of logs", "put it in brackets: [log]"),
                       "history")
    return listed


def _speeds(values: ArrayLike) -> Floats:
    return _positive(values, "feed_speed_m_min", "m/min", 1e-9)


def _hours(values: ArrayLike) -> Floats:
    return _positive(values, "contact_hours", "h", 0.0)


def _positive(values: ArrayLike, name: str, unit: str, least: float) -> Floats:
    try:
        numbers = np.atleast_1d(np.asarray(values, float))
    except (TypeError, ValueError):
        numbers = np.array([np.nan])
    if numbers.ndim != 1 or not numbers.size or not (np.isfinite(numbers) & (numbers >= least)).all():
        raise JobError(Problem(None, name, str(values), f"numbers in {unit}, {'above 0' if least else '0 or more'}"))
    return numbers
