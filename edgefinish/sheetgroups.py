"""Which materials share the sheets of a trial: groups that never do, how many sheets each needs, what is said of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .evidence import FEWEST_SHEETS
from .job import Job
from .trialkeys import Trial
from .wording import count, listed

SHARED = ("Some sheets are to run several materials. Stainless steel must not share sheets or brushes with carbon "
          "steel: where both are among them, say so in the study file, such as trial: {apart: [[304], [S355, S235]]}, "
          "and no sheet is planned for both.")


def group_of(material: str, apart: Sequence[Sequence[str]]) -> int:
    """The group of a material, the last one where none names it.

    >>> group_of("304", [["304"], ["S355"]]), group_of("S690", [["304"], ["S355"]])
    (0, 2)
    """
    return next((g for g, names in enumerate(apart) if material in names), len(apart))


def groups_of(jobs: Sequence[Job], trial: Trial) -> list[list[Job]]:
    """The jobs by materials that never share a sheet, in the order in which `trial` names them, the others last."""
    groups = ([j for j in jobs if group_of(j.material, trial.apart) == g] for g in range(len(trial.apart) + 1))
    return [group for group in groups if group]


def fewest_sheets(jobs: Sequence[Job], trial: Trial) -> list[int]:
    """How many sheets the jobs need at the least, group by group of `groups_of`."""
    return [max(FEWEST_SHEETS, len({j.grit for j in group})) for group in groups_of(jobs, trial)]


def group_of_sheet(jobs: Sequence[Job], trial: Trial, sheets: int) -> NDArray[np.intp]:
    """Which group each sheet is for: the fewest that each needs, the others to where most jobs wait for a sheet."""
    own, jobs_of = np.array(fewest_sheets(jobs, trial)), np.array([len(g) for g in groups_of(jobs, trial)])
    while own.sum() < sheets:
        own[int((jobs_of / own).argmax())] += 1
    return np.repeat(np.arange(len(own)), own)[:sheets]


def met_said(jobs: Sequence[Job], trial: Trial, runs: pd.DataFrame) -> list[str]:
    """Which materials meet on a sheet and which never do, and which run on a grit that none of their jobs asks for."""
    told = []
    groups = groups_of(jobs, trial)
    if len(groups) > 1:
        parts = []
        for group in groups:
            names = list(dict.fromkeys(j.material for j in group))
            own = runs[runs["material"].isin(names)]["abrasive_sheet"]
            parts.append(f"{listed(names)} on {count(own.nunique(), 'sheet')}, {own.iloc[0]} to {own.iloc[-1]}")
        told.append(f"Kept apart, as the study file asks: {'; '.join(parts)}. No sheet meets two of these groups. They "
                    "are run one after the other: clean the line between them, and give each its own brushes.")
    elif (runs.groupby("abrasive_sheet")["material"].nunique() > 1).any():
        told.append(SHARED)
    asked = {(j.material, j.grit) for j in jobs}
    other = {grit: [m for m in dict.fromkeys(part["material"]) if (m, grit) not in asked]
             for grit, part in runs.groupby("grit", sort=False)}
    if any(other.values()):
        told.append("Some plates run on a grit that no job of theirs asks for ("
                    + "; ".join(f"{listed(names)} on {grit}" for grit, names in other.items() if names)
                    + "): grit has one law for all materials, so that they tell of the jobs' own grit too, and a "
                    "material that meets more sheets is told apart from them better.")
    return told


def meet_anew(ran: pd.DataFrame, plates: pd.DataFrame) -> bool:
    """Whether a sheet would meet a material beside another that it has not met yet."""
    before = ran.groupby("abrasive_sheet")["material"].agg(set).to_dict()
    after = plates.groupby("abrasive_sheet")["material"].agg(set).to_dict()
    return any(len(some | before.get(sheet, set())) > 1 and some - before.get(sheet, set())
               for sheet, some in after.items())
