"""Jobs, limits, windows and claims in the words of the floor, in the units of the study."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from .job import Job, SpeedWindow, Verdict
from .units import QUANTITIES, System, Toward, in_shown, shown, unit_of

POSITIONS = ("leading", "trailing", "lateral", "cutout")
POSITION_WORDS = {"leading": "leading", "trailing": "trailing", "lateral": "lateral", "cutout": "cut-out"}
SPEED = "feed_speed_m_min"
FINER_STEPS = 4
ROUNDED_OFF = 0.2
"""Share of a window, on a log scale, that rounding inwards may take; else its ends get finer digits."""
LIMIT_NEAR = 0.04
"""A limit printed in parts of an inch is never tighter than the job's by more than this share; common practice."""


class Remark(NamedTuple):
    """What an answer says of itself, and what to do about it, "" where nothing is to be done.

    >>> Remark("No speed between 1 and 3 m/min was run.", "Run 3 plates at 1.7 m/min.").text
    'No speed between 1 and 3 m/min was run. Run 3 plates at 1.7 m/min.'
    """

    said: str
    remedy: str = ""

    @property
    def text(self) -> str:
        """Both as one paragraph."""
        return " ".join(filter(None, self))


def refused(job: Job, verdict: Verdict, said: Sequence[Remark]) -> SpeedWindow:
    """The answer for a job without a window.

    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> refused(job, "not enough evidence", [Remark("Only 1 sheet was run."), Remark("", "Run 2 more.")]).remedies
    ('', 'Run 2 more.')
    """
    remedies = tuple(one.remedy for one in said)
    return SpeedWindow(job=job, verdict=verdict, reasons=tuple(one.text for one in said),
                       remedies=remedies if any(remedies) else ())


@dataclass(frozen=True)
class ShownWindow:
    """A window as printed: low end rounded up, high end rounded down, set point inside, all in `unit`."""

    low: str
    high: str
    set_point: str
    unit: str

    def __str__(self) -> str:
        return f"{self.low} to {self.high} {self.unit}"


def speeds(window: SpeedWindow, system: System) -> ShownWindow:
    """The window's speeds as printed, never wider than the window; a narrow one gets finer digits.

    Raises `ValueError` for a job that got no window.

    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> window = SpeedWindow(job=job, verdict="window", low_m_min=1.43, high_m_min=2.57, recommended_m_min=1.46)
    >>> print(speeds(window, "metric"), "|", speeds(window, "metric").set_point)
    1.5 to 2.5 m/min | 1.5
    """
    if window.low_m_min is None or window.high_m_min is None or window.recommended_m_min is None:
        raise ValueError(f"{window.job.title}: found verdict {window.verdict!r}, wanted a job with a window")
    return shown_span(window.low_m_min, window.high_m_min, window.recommended_m_min, system)


def shown_span(low_m_min: float, high_m_min: float, set_point_m_min: float, system: System) -> ShownWindow:
    """Speeds from one to another with a set point between, printed as `speeds` does."""
    quantity = QUANTITIES[SPEED]
    least = quantity.metric_decimals if system == "metric" else quantity.imperial_decimals
    low, high, point = (float(in_shown(SPEED, v, system))
                        for v in (low_m_min, high_m_min, set_point_m_min))
    for decimals in range(least, least + FINER_STEPS):
        scale = 10.0 ** decimals
        first, last = math.ceil(low * scale - 1e-6), math.floor(high * scale + 1e-6)
        if 0 < first < last and math.log(last / first) >= (1 - ROUNDED_OFF) * math.log(high / low):
            break
    # Of the two digits about the set point the nearer one, but none on an end where the other lies inside.
    near = sorted({math.floor(point * scale), math.ceil(point * scale)}, key=lambda n: abs(n - point * scale))
    middle = next((n for n in near if first < n < last), min(max(near[0], first), last))
    texts = (f"{n / scale:.{decimals}f}" for n in (first, last, middle))
    return ShownWindow(*texts, unit_of(SPEED, system))


def limit(name: str, value: float, system: System, toward: Toward) -> str:
    """A limit as printed: as it stands where its usual digits hold it, else rounded to the safe side.

    In parts of an inch to the coarsest of 1, 1/2 and 1/10 of the usual step that lies within `LIMIT_NEAR` of it.

    >>> limit("edge_radius_mm", 0.6, "metric", "down"), limit("edge_radius_mm", 0.7, "imperial", "down")
    ('0.60 mm', '0.027 in')
    """
    quantity = QUANTITIES[name]
    usual = quantity.metric_decimals if system == "metric" else quantity.imperial_decimals
    number = float(in_shown(name, value, system))
    exact = abs(round(number, usual) - number) <= 1e-9 * max(1.0, abs(number))
    finest = usual if exact else max(usual, 2 - math.floor(math.log10(abs(number))))
    tries = [(10**finest, finest)]
    if system == "imperial" and not exact:
        tries = [(10**usual, usual), (2 * 10**usual, usual + 1), (10 ** (usual + 1), usual + 1), *tries]

    def printed(scale: int, decimals: int) -> str:
        steps = math.floor(number * scale + 1e-6) if toward == "down" else math.ceil(number * scale - 1e-6)
        return f"{steps / scale:.{decimals}f}"

    texts = [printed(*t) for t in tries]
    near = (t for t in texts if abs(float(t) - number) <= LIMIT_NEAR * number)
    return f"{next(near, texts[-1])} {unit_of(name, system)}"


def limits(job: Job, system: System) -> tuple[str, ...]:
    """Every limit of the job, one phrase each.

    >>> limits(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80",
    ...            edge_radius_mm=(0.2, 0.6), residual_burr_mm=0.0), "metric")
    ('edge radius 0.20 mm to 0.60 mm', 'no residual burr found')
    """
    out: list[str] = []
    low, high = job.edge_radius_mm or (None, None)
    ends = (low and limit("edge_radius_mm", low, system, "up"), high and limit("edge_radius_mm", high, system, "down"))
    if all(ends):
        out.append(f"edge radius {ends[0]} to {ends[1]}")
    elif any(ends):
        out.append(f"edge radius at least {ends[0]}" if ends[0] else f"edge radius at most {ends[1]}")
    if job.residual_burr_mm == 0:
        out.append("no residual burr found")
    elif job.residual_burr_mm is not None:
        out.append(f"residual burr at most {limit('residual_burr_mm', job.residual_burr_mm, system, 'down')}")
    if job.removal_um is not None:
        out.append(f"removal off the face at most {limit('removal_um', job.removal_um, system, 'down')}")
    return tuple(out)


def job_name(job: Job, system: System) -> str:
    """The job for headings, with the thickness in the study's units.

    >>> job_name(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40), "metric")
    'S355, 10 mm'
    """
    burr = job.burr_severity and f"{job.burr_severity} burr"
    parts = (job.material, job.cut_process, burr, shown("thickness_mm", job.thickness_mm, system))
    return ", ".join(p for p in parts if p)


def job_names(jobs: Sequence[Job], system: System) -> list[str]:
    """The same of several jobs; of jobs with one name, with what sets them apart.

    >>> from dataclasses import replace
    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> job_names([job, replace(job, grit="P120"), replace(job, material="S235")], "metric")
    ['S355, 10 mm, P80', 'S355, 10 mm, P120', 'S235, 10 mm']
    """
    names = [job_name(job, system) for job in jobs]
    parts = [(*settings(job, system).split(", "), *limits(job, system), f"{percent(job.share)} of edges",
              f"{percent(job.confidence)} confidence") for job in jobs]
    shared: dict[str, set[str]] = {}
    for name, mine in zip(names, parts, strict=True):
        shared[name] = shared.get(name, set(mine)) & set(mine)
    return [", ".join([name, *(p for p in mine if p not in shared[name])])
            for name, mine in zip(names, parts, strict=True)]


def sheet_age(contact_hours: float, toward: Toward) -> str:
    """A sheet's age as printed, in tenths of an hour.

    >>> sheet_age(15.36, "down"), sheet_age(8.0, "down")
    ('15.3 h', '8 h')
    """
    return shown("contact_hours", contact_hours, "metric", toward).replace(".0 ", " ")


def hours(job: Job) -> str:
    """The span of sheet age in contact hours, printed no wider than it is.

    >>> hours(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40))
    '0 to 15 h'
    """
    first, last = job.sheet_hours
    ends = sheet_age(first, "up"), sheet_age(last, "down")
    if first == last:
        return ends[1] if last >= 0.1 or not last else f"{last:.2g} h"
    if float(ends[0].split()[0]) >= float(ends[1].split()[0]):
        return f"{first:.3g} to {last:.3g} h"
    return f"{ends[0].removesuffix(' h')} to {ends[1]}"


def settings(job: Job, system: System) -> str:
    """The settings that go with the speed, in one phrase.

    >>> settings(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40), "metric")
    '60 kPa, P80, 1 pass, sheet age 0 to 15 h'
    """
    passes = f"{job.passes} pass{'' if job.passes == 1 else 'es'}"
    return f"{shown('drum_pressure_kPa', job.drum_pressure_kPa, system)}, {job.grit}, {passes}, sheet age {hours(job)}"


def percent(fraction: float) -> str:
    """A share as printed.

    >>> percent(0.975)
    '97.5\xa0%'
    """
    return f"{100 * fraction + 0.0:.6g}\u00a0%"


def change(factor: float) -> str:
    """A factor as the change that it makes.

    >>> change(0.82), change(1.06)
    ('−18\xa0%', '+6\xa0%')
    """
    return f"{round(100 * (factor - 1)):+d}\u00a0%".replace("-", "−")


def claim(job: Job) -> str:
    """What a window for this job claims, in one sentence.

    >>> claim(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40))[:48]
    'With 95\xa0% confidence the whole window holds: at '
    """
    one = job.sheet_hours[0] == job.sheet_hours[1]
    when = f"on a sheet of {hours(job)}" if one else f"at every sheet age from {hours(job)}"
    return (f"With {percent(job.confidence)} confidence the whole window holds: at every speed in it, {when}, at least "
            f"{percent(job.share)} of future edges at the worst measured edge position meet every limit together.")


def first_off_edges(share: float, confidence: float) -> int:
    """How many edges, none of them outside its limits, show `share` at `confidence` by counting alone.

    n = ceil(ln(1 − confidence) / ln(share)): Wilks, Annals of Mathematical Statistics 12 (1941) 91–96. It holds for
    edges that are independent of each other: one edge a plate. Both numbers lie between 0 and 1.

    >>> first_off_edges(0.90, 0.95)
    29
    """
    return math.ceil(math.log1p(-confidence) / math.log(share) - 1e-9)


def answer(window: SpeedWindow, system: System) -> str:
    """The verdict for one job as a sentence.

    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> answer(SpeedWindow(job=job, verdict="no window"), "metric")
    'S355, 10 mm: no window.'
    """
    name = job_name(window.job, system)
    if window.verdict != "window":
        return f"{name}: {window.verdict}."
    at = speeds(window, system)
    return f"{name}: {at}, set point {at.set_point} {at.unit}."


def about(fraction: float) -> str:
    """A share in whole percent.

    >>> about(0.876).replace("\N{NO-BREAK SPACE}", " ")
    '88 %'
    """
    return percent(round(float(fraction), 2))


def count(number: int, word: str, many: str = "") -> str:
    """A number with its word.

    >>> count(1, "pass", "passes"), count(3, "sheet")
    ('1 pass', '3 sheets')
    """
    return f"{number} {word if number == 1 else many or word + 's'}"


def listed(words: Sequence[str]) -> str:
    """Words in a row, as a sentence has them.

    >>> listed(["P60", "P80", "P120"])
    'P60, P80 and P120'
    """
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)
