"""The trial to run before any is: which plates, on which sheets, at which sheet ages, so that the jobs' windows settle.

A sheet has one grit and is met at two ages at most. Settings are those of the jobs to be promised: a window is never
promised beyond what was run, and a plate run elsewhere tells less of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .abrasive import GRAIN_UM
from .beyondline import beyond_line
from .errors import JobError, StudyError, nearest
from .evidence import AGE_MARGIN, FEWEST_SHEETS
from .exchange import Factor, Levels, Need, Spreads, fewest_plates, search
from .exchange import Problem as Search
from .explore import SEED
from .handedin import of_kind, the_jobs, the_severities, the_units
from .job import Job, Line, several
from .laws import TERMS, Centre, Settings
from .layout import law_columns
from .priors import STANDARD
from .rows import Floats
from .sheetgroups import fewest_sheets, group_of_sheet, groups_of, met_said
from .study import Study
from .studytext import StudyProblem as Problem
from .trialkeys import Trial
from .units import System, convert, in_shown, unit_of
from .wording import job_name, listed

SPEEDS, AGES = 9, 5
VISITS = 2
MOST_PLATES, FAR_OLDER = 500, 2.0
"""More plates are a slip of the pen; so may be sheets run to so many times the age that any job asks for."""
EDGE, PLATE = STANDARD.edge.median, STANDARD.plate.median
SHEETS = tuple((STANDARD.sheet.median * float(np.exp(z * STANDARD.sheet.log_sd)), weight)
               for z, weight in ((-1, 0.3), (0, 0.4), (1, 0.3)))
"""Spreads a trial is planned for, as fractions: between edges, between plates, between sheets (with their weights).
Those that the fit starts from."""
MATERIAL = tuple(spread.median for spread in STANDARD.material)
"""How far level, feed exponent, pressure exponent and wear of a material are taken to lie from the common law (SDs)."""
LEVEL = 1.0
HEAVY = "heavy"
LAW_SPEEDS = 3
_INSIDE = (0.10, 0.98)
_TARGET_SPEEDS = 7
# Where, on the log scale between the slowest and the fastest, a speed is wanted besides what the law needs.
_BETWEEN = ((0.15, 0.5), (0.5, 0.85))


@dataclass(frozen=True)
class Part:
    """A kind of plate: what is cut how, and how thick."""

    material: str
    cut_process: str | None
    thickness_mm: float


@dataclass(frozen=True, eq=False)
class Plan:
    """A trial to run. Made by `plan`.

    `runs`: one row a plate in the order of running, with the settings under the log's own column names and `visit`,
    the count of visits to its sheet. `told`: what was chosen and why, in sentences. `feed_speed_m_min`: the speeds
    between which windows can be promised. `score`: mean SD of log radius at the jobs, the less the better.
    """

    jobs: tuple[Job, ...]
    trial: Trial
    feed_speed_m_min: tuple[float, float]
    severities: Mapping[str, tuple[float, float]]
    runs: pd.DataFrame
    told: tuple[str, ...]
    score: float
    units: System = "metric"
    name: str = "trial"
    notes: tuple[str, ...] = field(default=())

    @property
    def rows(self) -> pd.DataFrame:
        """One row for each edge to measure, in the order of running."""
        edges = pd.DataFrame({"edge_position": list(self.trial.edges)})
        return self.runs.merge(edges, how="cross")


def plan(jobs: Sequence[Job], *, feed_speed_m_min: tuple[float, float], trial: Trial | None = None,
         severities: Mapping[str, tuple[float, float]] | None = None, units: System = "metric",
         name: str = "trial", seed: int = SEED) -> Plan:
    """The trial that best settles the windows of `jobs` between two feed speeds (m/min); deterministic.

    `trial`: plates, sheets, edges and sheet ages that may be used; `severities`: burr heights before (mm) that the
    shop's words mean. Raises `JobError` where the trial is too small for the jobs.

    >>> import edgefinish as ef
    >>> job = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.6))
    >>> runs = ef.plan([job], feed_speed_m_min=(1.0, 6.0), trial=ef.Trial(plates=12, sheets=4)).runs
    >>> len(runs), runs["abrasive_sheet"].nunique(), float(runs["contact_hours"].max())
    (12, 4, 15.0)
    """
    trial = trial or Trial()
    of_kind(Trial, trial, "write ef.Trial(plates=24, sheets=6)", "plan")
    jobs, units, spans = the_jobs(jobs), the_units(units), the_severities(severities)
    feed_speed_m_min = Line(feed_speed_m_min=several(feed_speed_m_min) or ()).feed_speed_m_min
    if not jobs:
        raise JobError(Problem(None, "jobs", "an empty list", "a job to plan for"), "plan")
    hours = trial.sheet_hours or (min(j.sheet_hours[0] for j in jobs), max(j.sheet_hours[1] for j in jobs))
    space = _Space(jobs, feed_speed_m_min, hours, trial, units)
    space.check()
    found = search(space.problem, seed)
    if found is None:
        least = fewest_plates(space.problem)
        on = f", on at least {least} plates" if least > trial.plates else ""
        raise JobError(Problem(None, "trial.plates", str(trial.plates), "plates for every setting that is promised",
                               f"{len(space.problem.needs)} settings have to be run at least once{on}: allow more "
                               "plates or sheets, or ask for fewer jobs"), "plan")
    levels, value = found
    rng = np.random.default_rng(seed)
    runs = _in_order(space, levels, rng)
    words = _severity_words(jobs, spans)
    runs = _with_burr(runs, words, rng)
    return Plan(jobs, replace(trial, sheet_hours=hours), feed_speed_m_min, spans, runs,
                tuple(_told(space, runs, words, spans)), value, units, name)


def plan_study(study: Study) -> Plan:
    """The trial for a study file: its jobs, or those of its log where it lists none; its `trial:` and `line:`.

    Raises `StudyError` where the study says too little to plan from, or a job asks what the line cannot run, `LogError`
    where an earlier log cannot be read.
    """
    of_kind(Study, study, "read it with ef.read_study(…) first", "plan")
    if study.listed is None and study.log_source is None:
        raise StudyError(Problem(None, "jobs", "every material and burr severity, and no log",
                                 "the jobs that are to be promised, listed",
                                 "write each as '- {material: S355, thickness_mm: 10, drum_pressure_kPa: 60, "
                                 "grit: P80}' under jobs:"), study.path.name)
    if study.line.feed_speed_m_min is None:
        raise StudyError(Problem(None, "line.feed_speed_m_min", "nothing", "two speeds in m/min, the lower first",
                                 "the trial runs from the line's slowest speed to its fastest"), study.path.name)
    study.read_history()  # a trial is dear: what would stop the run on its log is said before
    jobs = study.listed if study.listed is not None else study.jobs(study.read_log())
    unable = [Problem(None, f"jobs, {number}.{one.name}", f"{one.asked} ({job_name(job, study.units)})",
                      f"what the line can run: {one.able}", one.remedy)
              for number, job in enumerate(jobs, 1) for one in beyond_line(study.line, job, study.units)]
    if unable:
        raise StudyError(unable, study.path.name)
    try:
        planned = plan(jobs, feed_speed_m_min=study.line.feed_speed_m_min, trial=study.trial,
                       severities=study.severities, units=study.units, name=study.name)
    except JobError as error:
        raise StudyError(error.problems, study.path.name) from None
    unused = [said for said, given in (
        ("Earlier logs are not used to plan: plates and figures are for a line of unknown kind. They count once the "
         "log of this trial is read.", study.history),
        ("Which plates to run next (next_plates) is not looked for yet: it takes the log of this trial.",
         study.next_plates)) if given]
    return replace(planned, told=(*planned.told, *unused))


def speed_levels(low: float, high: float, units: System) -> Floats:
    """Speeds in equal steps of the ratio, each a number that can be set: whole tenths of m/min, or whole ft/min.

    >>> speed_levels(0.8, 6.0, "metric").tolist()
    [0.8, 1.0, 1.3, 1.7, 2.2, 2.8, 3.6, 4.7, 6.0]
    """
    unit = unit_of("feed_speed_m_min", units)
    ends = in_shown("feed_speed_m_min", [low, high], units)
    step = 0.1 if units == "metric" else 1.0
    if ends[1] - ends[0] < 12 * step:
        step /= 10
    steps = np.round(np.geomspace(*ends, SPEEDS) / step)
    steps = np.clip(steps, np.ceil(ends[0] / step - 1e-9), np.floor(ends[1] / step + 1e-9))
    return np.round(convert(np.unique(steps) * step, unit, "m/min"), 9)


def prior_precision(materials: int) -> Floats:
    """Precision of the coefficients of `layout.law_columns` before any trial."""
    sd = [LEVEL, *[t.sd for t in TERMS]]
    if materials > 1:
        sd += [s for s in MATERIAL for _ in range(materials)]
    return np.diag(1 / np.array(sd) ** 2)


def material_of(job: Job) -> tuple[str, str | None]:
    """What counts as one material: the same one cut by two processes is two."""
    return job.material, job.cut_process


def target_columns(jobs: Sequence[Job], speeds: Floats, centre: Centre, materials: Sequence[tuple[str, str | None]]
                   ) -> Floats:
    """Columns of each job at each speed and at its youngest and oldest sheet."""
    rows = [(j, v, h) for j in jobs for v in speeds for h in sorted(set(j.sheet_hours))]
    settings = Settings(
        np.array([v for _, v, _ in rows]), np.array([j.drum_pressure_kPa for j, _, _ in rows]),
        np.array([GRAIN_UM[j.grit] for j, _, _ in rows]), np.array([j.thickness_mm for j, _, _ in rows]),
        np.array([float(j.passes) for j, _, _ in rows]), np.array([h for _, _, h in rows]))
    index = np.array([materials.index(material_of(j)) for j, _, _ in rows])
    return law_columns(settings, centre, index, len(materials))


def middle(values: Sequence[float] | Floats) -> float:
    """Geometric middle of the least and the greatest."""
    return float(np.sqrt(min(values) * max(values)))


class _Space:
    """The settings among which a plan is searched, and the search's own view of them."""

    FACTORS = ("speed", "part", "pressure", "passes", "grit", "age")

    def __init__(self, jobs: tuple[Job, ...], feed: tuple[float, float], hours: tuple[float, float], trial: Trial,
                 units: System) -> None:
        self.jobs, self.feed, self.hours, self.trial = jobs, feed, hours, trial
        self.materials = list(dict.fromkeys(map(material_of, jobs)))
        self.parts = sorted({Part(j.material, j.cut_process, j.thickness_mm) for j in jobs},
                            key=lambda p: (p.material, p.cut_process or "", p.thickness_mm))
        self.grits = sorted({j.grit for j in jobs}, key=lambda g: -GRAIN_UM[g])
        self.speeds = speed_levels(*feed, units)
        pressures = sorted({j.drum_pressure_kPa for j in jobs})
        self.pressures = np.array(pressures)
        self.passes = np.array(sorted({float(j.passes) for j in jobs}))
        self.ages = np.unique(np.round(np.linspace(*hours, AGES) * 2) / 2).clip(*hours)
        self.part_material = np.array([self.materials.index((p.material, p.cut_process)) for p in self.parts])
        self.centre = Centre(middle(self.speeds), middle(self.pressures), middle([GRAIN_UM[g] for g in self.grits]),
                             middle([p.thickness_mm for p in self.parts]))
        counts = [len(c) for c in np.array_split(np.arange(trial.plates), min(trial.sheets, trial.plates))]
        self.sheet = np.repeat(np.arange(len(counts)), counts)
        visit = np.concatenate([np.sort(np.arange(n) % VISITS) for n in counts])
        self.visit = np.unique(self.sheet * VISITS + visit, return_inverse=True)[1]
        self.group = group_of_sheet(jobs, trial, len(counts))
        of_material = {j.material: g for g, group in enumerate(groups_of(jobs, trial)) for j in group}
        of_part = np.array([of_material[p.material] for p in self.parts])
        self.own_parts = self.group[self.sheet][:, None] == of_part if len(trial.apart) else None

    @property
    def problem(self) -> Search:
        """The search for the best levels."""
        plate = np.arange(len(self.sheet))
        sizes = {"speed": (plate, len(self.speeds)), "part": (plate, len(self.parts)),
                 "pressure": (plate, len(self.pressures)), "passes": (plate, len(self.passes)),
                 "grit": (self.sheet, len(self.grits)), "age": (self.visit, len(self.ages))}
        inside = [self.feed[0] * (self.feed[1] / self.feed[0]) ** f for f in _INSIDE]
        targets = target_columns(self.jobs, np.geomspace(*inside, _TARGET_SPEEDS), self.centre, self.materials)
        variance = PLATE**2 + EDGE**2 / len(self.trial.edges)
        only = {"part": self.own_parts}
        return Search(self.sheet, tuple(Factor(n, *sizes[n], only.get(n)) for n in self.FACTORS), self.columns,
                      prior_precision(len(self.materials)), targets,
                      tuple(Spreads(sd, variance, weight) for sd, weight in SHEETS), tuple(self._needs()))

    def columns(self, levels: Levels) -> Floats:
        """The law's columns at levels of the factors."""
        speed, part, pressure, passes, grit, age = np.moveaxis(levels, -1, 0)
        thickness = np.array([p.thickness_mm for p in self.parts])
        grain = np.array([GRAIN_UM[g] for g in self.grits])
        settings = Settings(self.speeds[speed], self.pressures[pressure], grain[grit], thickness[part],
                            self.passes[passes], self.ages[age])
        return law_columns(settings, self.centre, self.part_material[part], len(self.materials))

    def check(self) -> None:
        """Refuse, with every fault at once, what no search can mend."""
        bad = []
        trial, least, most = self.trial, self.hours[0], self.hours[1]
        if trial.sheets < FEWEST_SHEETS:
            bad.append(Problem(None, "trial.sheets", str(trial.sheets), f"at least {FEWEST_SHEETS} abrasive sheets",
                               "how much sheets differ cannot be told from fewer; better six"))
        if trial.sheets < len(self.grits):
            bad.append(Problem(None, "trial.sheets", str(trial.sheets), f"a sheet for each of {len(self.grits)} grits",
                               "allow more sheets, or promise fewer grits"))
        known = [name for name, _ in self.materials]
        bad += [Problem(None, "trial.apart", name, f"materials of the jobs: {listed(sorted(set(known)))}",
                        nearest(name, known) or "leave it out")
                for group in trial.apart for name in group if name not in known]
        need = fewest_sheets(self.jobs, trial)
        if len(need) > 1 and trial.sheets < sum(need):
            bad.append(Problem(None, "trial.sheets", str(trial.sheets),
                               f"{' + '.join(map(str, need))} sheets for {len(need)} groups of materials that never "
                               "share one", f"allow {sum(need)} sheets, or plan each group as a study of its own"))
        if trial.plates > MOST_PLATES:
            bad.append(Problem(None, "trial.plates", str(trial.plates), f"at most {MOST_PLATES} plates",
                               "a trial so large tells no more than one of some dozens; check the number"))
        if trial.plates < 2 * trial.sheets:
            bad.append(Problem(None, "trial.plates", str(trial.plates), f"two plates for each of {trial.sheets} sheets",
                               f"allow {2 * trial.sheets} plates, better {3 * trial.sheets}"))
        for job in self.jobs:
            if job.sheet_hours[1] > most or job.sheet_hours[0] < least - AGE_MARGIN * most:
                bad.append(Problem(None, "trial.sheet_hours", f"{least:g} to {most:g} h",
                                   f"the ages of {job.title}: {job.sheet_hours[0]:g} to {job.sheet_hours[1]:g} h",
                                   "a window is never promised for a sheet age that was not run"))
        if len(self.speeds) <= LAW_SPEEDS:
            bad.append(Problem(None, "line.feed_speed_m_min", f"{self.feed[0]:g} to {self.feed[1]:g}",
                               "a range wide enough for four speeds", "widen it"))
        if bad:
            raise JobError(list(dict.fromkeys(bad)), "plan")

    def _needs(self) -> list[Need]:
        """What has to be run at least once, so that no job is refused for what was not tried."""
        needs: dict[object, Need] = {}

        def want(what: str, **levels: NDArray[np.bool_]) -> None:
            index = {self.FACTORS.index(k): v for k, v in levels.items()}
            key = tuple((k, tuple(v)) for k, v in index.items() if not v.all())
            if key:
                needs.setdefault(key, Need(what, index))

        place = np.log(self.speeds / self.speeds[0]) / np.log(self.speeds[-1] / self.speeds[0])
        for m, name in enumerate(self.materials):
            mine, jobs = self.part_material == m, [j for j in self.jobs if material_of(j) == name]
            for end in (0, len(self.speeds) - 1):
                want(f"{name[0]} at an end of the speeds", part=mine, speed=np.arange(len(self.speeds)) == end)
            for values, key, of in ((self.pressures, "pressure", "drum_pressure_kPa"),
                                    (self.passes, "passes", "passes")):
                for end in {min(getattr(j, of) for j in jobs), max(getattr(j, of) for j in jobs)}:
                    want(f"{name[0]} at {end:g}", part=mine, **{key: values == end})
            sizes = [j.thickness_mm for j in jobs]
            for end in {min(sizes), max(sizes)}:
                want(f"{name[0]}, {end:g} mm", part=mine & (np.array([p.thickness_mm for p in self.parts]) == end))
            for g in {j.grit for j in jobs}:
                want(f"{name[0]} with {g}", part=mine, grit=np.array(self.grits) == g)
        for low, high in _BETWEEN:
            between = (place > low) & (place < high)
            want("speeds between the ends", speed=between if between.any() else (place > 0) & (place < 1))
        if len(self.ages) > VISITS:
            want("a sheet in mid life", age=(self.ages > self.ages[0]) & (self.ages < self.ages[-1]))
        for job in self.jobs:
            want("an old sheet", age=self.ages >= job.sheet_hours[1] - 1e-9)
            want("a young sheet", age=self.ages <= max(job.sheet_hours[0], self.ages[0]) + 1e-9)
        return list(needs.values())


def _in_order(space: _Space, levels: Levels, rng: np.random.Generator) -> pd.DataFrame:
    """The plates in the order of running: sheet after sheet in random order, ages rising, plates of an age shuffled."""
    speed, part, pressure, passes, grit, age = levels.T
    frame = pd.DataFrame({
        "material": [space.parts[p].material for p in part], "cut_process": [space.parts[p].cut_process for p in part],
        "thickness_mm": [space.parts[p].thickness_mm for p in part], "feed_speed_m_min": space.speeds[speed],
        "drum_pressure_kPa": space.pressures[pressure], "passes": space.passes[passes].astype(int),
        "grit": [space.grits[g] for g in grit], "contact_hours": space.ages[age],
        "place": _places(space, rng)[space.sheet], "shuffled": rng.permutation(len(levels))})
    frame = frame.sort_values(["place", "contact_hours", "shuffled"]).reset_index(drop=True)
    frame["abrasive_sheet"] = [f"A{p + 1}" for p in frame["place"]]
    frame["visit"] = frame.groupby("place")["contact_hours"].rank(method="dense").astype(int)
    frame.insert(0, "run", [f"R{i + 1:02d}" for i in range(len(frame))])
    if frame["cut_process"].isna().all():
        frame = frame.drop(columns="cut_process")
    return frame.drop(columns=["place", "shuffled"])


def _places(space: _Space, rng: np.random.Generator) -> NDArray[np.intp]:
    """When each sheet is run: in random order, those of a group one after the other."""
    order = np.lexsort((rng.permutation(len(space.group)), space.group))
    return np.argsort(order)


def _severity_words(jobs: Sequence[Job], severities: Mapping[str, tuple[float, float]]) -> dict[str | None, list[str]]:
    """For each material whose burr is to be promised, by a severity: the words of its plates, heaviest first."""
    words: dict[str | None, list[str]] = {}
    height = {w: span[1] for w, span in severities.items()}
    for job in jobs:
        if job.residual_burr_mm is not None and job.burr_severity:
            own = words.setdefault(job.material, [])
            own += [job.burr_severity] if job.burr_severity not in own else []
    for own in words.values():
        heaviest = max(height, key=height.__getitem__, default=HEAVY)
        if heaviest not in own:
            own.insert(0, heaviest)
        own.sort(key=lambda w: -height.get(w, 9.0 if w == HEAVY else 0.0))
        if len(own) == 1:
            own.append("as it comes")
    return words


def _with_burr(runs: pd.DataFrame, words: Mapping[str | None, list[str]], rng: np.random.Generator) -> pd.DataFrame:
    """Burr words: every second plate heavy, taken along the speeds of each sheet so that speed and burr stay apart."""
    if not words:
        return runs
    out = pd.Series("", index=runs.index, dtype=object)
    for material, own in words.items():
        heavy, others, turn = own[0], own[1:], int(rng.integers(2))
        mine = runs[runs["material"] == material].sort_values(["abrasive_sheet", "feed_speed_m_min", "run"])
        for k, i in enumerate(mine.index):
            out[i] = heavy if (k + turn) % 2 == 0 else others[(k // 2) % len(others)]
    return runs.assign(burr_severity=out.replace("as it comes", ""))


def _told(space: _Space, runs: pd.DataFrame, words: Mapping[str | None, list[str]],
          severities: Mapping[str, tuple[float, float]]) -> list[str]:
    """What the plan does and why, in sentences."""
    trial = space.trial
    visits = runs.groupby("abrasive_sheet")["visit"].max()
    together = abs(np.corrcoef(np.log(runs["feed_speed_m_min"]), runs["contact_hours"])[0, 1])
    told = [
        f"{len(runs)} plates on {trial.sheets} abrasive sheets, {len(trial.edges)} edges measured on each: "
        f"{len(runs) * len(trial.edges)} edges.",
        "Sheets are run one after the other, in the order given. A sheet that is met twice works in production between "
        "its two ages; contact hours are written down as they are when the plate is run."
        if (visits > 1).any() else "Sheets are run one after the other, in the order given, each at one age.",
        "Speeds within one sheet and age are in random order: run them as they stand, so that a line that warms up or "
        "drifts is not taken for speed.",
        f"{runs['feed_speed_m_min'].nunique()} speeds are run; the law needs {LAW_SPEEDS}, the others show whether it "
        f"bends otherwise. Speed and sheet age are kept apart (correlation {together:.2f})."]
    for material, own in words.items():
        rest = " and ".join(w for w in own[1:] if w != "as it comes") or "the burr as it comes"
        told.append(f"{material}: half of the plates carry {own[0]} burr, the others {rest}. Where clearing ends shows "
                    "only on plates that are not cleared; in simulated trials this made windows two fifths wider.")
    ungraded = {job.material for job in space.jobs if job.residual_burr_mm is not None} - set(words)
    told += [f"{material}: no job of it names a burr severity, so plates are run with the burr as it comes, and "
             "burr is promised for such burr alone. Grade the burr and name a severity in the job: half of the "
             "plates would then carry heavier burr, which widens windows." for material in sorted(ungraded)]
    told += met_said(space.jobs, space.trial, runs)
    oldest = max(job.sheet_hours[1] for job in space.jobs)
    if space.hours[1] > FAR_OLDER * oldest:
        told.append(f"Sheets are run up to {space.hours[1]:g} h, and no job asks for more than {oldest:g} h: check "
                    "sheet_hours under trial, plates on sheets so old tell little of it.")
    if words and HEAVY not in severities and any(own[0] == HEAVY for own in words.values()):
        told.append("Heavy burr: as heavy as the table still leaves it to the line; write its height down.")
    return told
