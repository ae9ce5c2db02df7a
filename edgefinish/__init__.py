"""Speed windows that keep their promise, for drum-and-brush lines that finish the edges of cut plates."""

from .errors import EdgeFinishError, JobError, LogError, RunError, StudyError
from .job import Job, Line, SpeedWindow

__version__ = "0.1.0"
__all__ = ["EdgeFinishError", "Job", "JobError", "Line", "LogError", "RunError", "SpeedWindow", "StudyError"]
