"""What is handed in from Python, checked where it comes in: a job, jobs, the line, what the shop's words mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from numbers import Integral
from typing import Any, TypeVar

from .errors import EdgeFinishError, JobError, Problem, StudyError
from .findings import as_written
from .job import Job, Line, number, several

T = TypeVar("T")
_MAKE = "make one with ef.Job(material=…, …), or with ef.Job.from_mapping(…) from names and values"
UNITS = ("metric", "imperial")


def one_job(job: object, place: str | None = None) -> Job:
    """The job, or a `JobError` that says what was found instead.

    >>> one_job({"material": "S355"})
    Traceback (most recent call last):
    edgefinish.errors.JobError: job: found 'dict', wanted a Job; make one with ef.Job(material=…, …), or with \
ef.Job.from_mapping(…) from names and values
    """
    return _of_kind(Job, job, place, _MAKE, JobError, "job")


def the_jobs(jobs: object) -> tuple[Job, ...]:
    """The jobs of a list, or a `JobError`."""
    if isinstance(jobs, Job):
        raise JobError(Problem(None, None, "one Job", "a list of jobs", "put it in brackets: [job]"), "jobs")
    if not isinstance(jobs, Iterable) or isinstance(jobs, (str, Mapping)) or hasattr(jobs, "columns"):
        rows = "[ef.Job.from_mapping(row) for row in table.to_dict('records')] makes one of a table"
        raise JobError(Problem(None, None, type(jobs).__name__, "a list of jobs", rows), "jobs")
    return tuple(one_job(job, f"job {k}") for k, job in enumerate(jobs, 1))


def the_line(line: object) -> Line:
    """The line, one without limits where none is given, or a `JobError`."""
    return Line() if line is None else _of_kind(
        Line, line, "line", "write ef.Line(feed_speed_m_min=(0.8, 6.0), …)", JobError, "line")


def the_units(units: Any) -> Any:
    """Metric or imperial, or a `JobError`."""
    if units not in UNITS:
        raise JobError(Problem(None, "units", as_written(units), "'metric' or 'imperial'"), "units")
    return units


def the_severities(severities: object) -> dict[str, tuple[float, float]]:
    """Burr heights in mm, from and to, of the shop's words, or a `JobError` with every fault."""
    such = "such as {'light': (0.05, 0.2), 'heavy': (0.6, 1.1)}"
    if severities is None:
        return {}
    if not isinstance(severities, Mapping):
        raise JobError(Problem(None, None, type(severities).__name__, "words and the burr heights in mm that they mean",
                               such), "severities")
    read, bad = {}, []
    for word, span in severities.items():
        ends = [number(v) for v in several(span) or ()]
        if len(ends) != 2 or ends[0] is None or ends[1] is None or not 0 <= ends[0] < ends[1]:
            bad.append(Problem(None, str(word), as_written(span), "two burr heights in mm, the lower first", such))
        else:
            read[str(word).strip().casefold()] = (ends[0], ends[1])
    if bad:
        raise JobError(bad, "severities")
    return read


def the_groups(apart: object) -> tuple[tuple[str, ...], ...]:
    """Groups of materials that never share a sheet, or a `JobError`."""
    groups = [several(group) for group in several(apart) or [None]] if several(apart) != () else []
    if not all(group and all(isinstance(name, str) for name in group) for group in groups):
        raise JobError(Problem(None, "apart", as_written(apart), "groups of materials that never share a sheet",
                               "such as [['304'], ['S355', 'S235']]"), "apart")
    return tuple(tuple(group) for group in groups if group)


def check_new_plates(most_new: object, only_new: object, enough: object) -> None:
    """A `JobError` for numbers of new sheets, or a width of a window, that cannot be."""
    for name, value in (("most_new", most_new), ("only_new", only_new)):
        if (value is not None or name == "most_new") and (
                isinstance(value, bool) or not isinstance(value, Integral) or value < 0):
            raise JobError(Problem(None, name, as_written(value), "a whole number from 0"), "next plates")
    if enough is not None and not (number(enough) or 0) > 1:
        raise JobError(Problem(None, "enough", as_written(enough), "a number above 1: fastest over slowest speed",
                               "1.5 is a window such as 2 to 3 m/min"), "next plates")


def of_kind(kind: type[T], given: object, way_out: str, subject: str) -> T:
    """What is handed in where it is of a kind, or a `StudyError` that says what was found and the way out."""
    return _of_kind(kind, given, None, way_out, StudyError, subject)


def _of_kind(kind: type[T], given: object, place: str | None, way_out: str, error: type[EdgeFinishError],
             subject: str) -> T:
    if not isinstance(given, kind):
        found = "nothing" if given is None else type(given).__name__
        raise error(Problem(None, place, found, f"a {kind.__name__}", way_out), subject)
    return given
