"""Speed windows that keep their promise, for drum-and-brush lines that finish the edges of cut plates."""

from .errors import EdgeFinishError, JobError, LogError, RunError, StudyError
from .job import Job, Line, SpeedWindow
from .linemodel import LineModel, fit
from .results import Results, open_study
from .study import Study, read_study
from .triallog import TrialLog, read_log

__version__ = "0.1.0"
__all__ = [
    "EdgeFinishError", "Job", "JobError", "Line", "LineModel", "LogError", "Results", "RunError", "SpeedWindow",
    "Study", "StudyError", "TrialLog", "fit", "open_study", "read_log", "read_study"]
