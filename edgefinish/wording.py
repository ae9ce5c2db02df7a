"""Jobs, limits, windows and claims in the words of the floor, in the units of the study."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .job import Job, SpeedWindow
from .units import QUANTITIES, System, Toward, in_shown, shown, unit_of

POSITIONS = ("leading", "trailing", "lateral", "cutout")
POSITION_WORDS = {"leading": "leading", "trailing": "trailing", "lateral": "lateral", "cutout": "cut-out"}
SPEED = "feed_speed_m_min"
FINER_STEPS = 4


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
    quantity = QUANTITIES[SPEED]
    least = quantity.metric_decimals if system == "metric" else quantity.imperial_decimals
    low, high, point = (float(in_shown(SPEED, v, system))
                        for v in (window.low_m_min, window.high_m_min, window.recommended_m_min))
    for decimals in range(least, least + FINER_STEPS):
        scale = 10.0 ** decimals
        first, last = math.ceil(low * scale - 1e-6), math.floor(high * scale + 1e-6)
        if first < last:
            break
    middle = min(max(round(point * scale), first), last)
    texts = (f"{n / scale:.{decimals}f}" for n in (first, last, middle))
    return ShownWindow(*texts, unit_of(SPEED, system))


def limit(name: str, value: float, system: System, toward: Toward) -> str:
    """A limit as printed: its usual digits where they hold it exactly, else three digits rounded to the safe side.

    >>> limit("edge_radius_mm", 0.6, "metric", "down")
    '0.60 mm'
    """
    quantity = QUANTITIES[name]
    decimals = quantity.metric_decimals if system == "metric" else quantity.imperial_decimals
    number = float(in_shown(name, value, system))
    if abs(round(number, decimals) - number) > 1e-9 * max(1.0, abs(number)):
        decimals = max(decimals, 2 - math.floor(math.log10(abs(number))))
    scale = 10.0 ** decimals
    steps = math.floor(number * scale + 1e-6) if toward == "down" else math.ceil(number * scale - 1e-6)
    return f"{steps / scale:.{decimals}f} {unit_of(name, system)}"


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


def hours(job: Job) -> str:
    """The span of sheet age, contact hours.

    >>> hours(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40))
    '0 to 15 h'
    """
    first, last = job.sheet_hours
    return f"{first:g} h" if first == last else f"{first:g} to {last:g} h"


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
    return f"{100 * fraction:.6g}\u00a0%"


def claim(job: Job) -> str:
    """What a window for this job claims, in one sentence.

    >>> claim(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40))[:48]
    'With 95\xa0% confidence the whole window holds: at '
    """
    first, last = job.sheet_hours
    age = f"on a sheet of {first:g} contact hours" if first == last else f"at every sheet age from {hours(job)}"
    return (f"With {percent(job.confidence)} confidence the whole window holds: at every speed in it, {age}, at least "
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
