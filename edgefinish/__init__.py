"""Speed windows that keep their promise, for drum-and-brush lines that finish the edges of cut plates."""

from .errors import EdgeFinishError, JobError, LogError, RunError, StudyError
from .job import Job, Line, SpeedWindow
from .linemodel import LineModel, fit
from .nextplates import NextPlates, next_plates
from .planner import Plan, plan, plan_study
from .results import Results, open_study
from .study import Study, read_study
from .trialkeys import Cost, Minutes, Trial
from .triallog import TrialLog, read_log

__version__ = "0.1.0"
__all__ = [
    "Cost", "EdgeFinishError", "Job", "JobError", "Line", "LineModel", "LogError", "Minutes", "NextPlates", "Plan",
    "Results", "RunError", "SpeedWindow", "Study", "StudyError", "Trial", "TrialLog", "fit", "next_plates",
    "open_study", "plan", "plan_study", "read_log", "read_study"]


def __dir__() -> list[str]:
    return sorted([*__all__, *(name for name in globals() if name.startswith("__"))])
