"""The study file: which log, which line, which limits, which jobs; checked whole, with every default told."""

from __future__ import annotations

import hashlib
import os
import re
import reprlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from types import MappingProxyType
from typing import Any

import yaml

from .abrasive import grit_name
from .beyondline import told_beyond_line
from .errors import JobError, LogError, StudyError, nearest, without_address
from .findings import FileProblem, as_written
from .job import Job, Line
from .jobchoice import EVERY, every_job
from .kept import SOURCES, kept_sources, without_credentials
from .sheetissue import ISSUE_KEYS, REVISIONS, SheetIssue, sheet_issue
from .studytext import StudyProblem, jobs_named, tree_of
from .trialkeys import TRIAL_KEYS, Trial, read_trial
from .triallog import TrialLog, read_beside, read_earlier
from .units import with_unit

KEYS = ("study", "log", "table", "sheet", "columns", "units", "line", "promise", "limits", "severities", "trial",
        "jobs", "history", "new_sheets", "setup_sheet", "next_plates")
LINE_KEYS = ("feed_speed_m_min", "drum_pressure_kPa", "grits")
LIMIT_KEYS = ("edge_radius_mm", "residual_burr_mm", "removal_um")
PROMISE_KEYS = ("share", "confidence")
# Names that stay text even where they look like a number: grade 304, plate 0080, heat 2E5.
TEXT_KEYS = ("study", "sheet", "table", "material", "cut_process", "burr_severity", *REVISIONS)
_NAME = re.compile(r"\w[\w .+-]{0,79}(?<![ .])")
_LIMITS_ANY: Mapping[str, Any] = {"material": "any", "thickness_mm": 1, "drum_pressure_kPa": 1, "grit": "P80"}
MOST_NUMBER = 1e15
_SUCH_AS = {"m/min": "[0.8, 6.0]", "kPa": "[25, 110]", "mm": "[0.2, 0.6]", "contact hours": "[0, 15]"}
# Numbers that YAML reads otherwise than people do: 010 is 8 to it, 1:30 is 90, 0x1F is 31, 1_000 is 1000.
_TWO_READINGS = re.compile(r"^[+-]?0[\dxbo]|[:_]")
# Names that one system or another keeps for its devices.
_RESERVED = re.compile(r"(?:con|prn|aux|nul|com\d|lpt\d)(?:\..*)?", re.IGNORECASE)
_BRIEF = reprlib.Repr()
_BRIEF.maxstring = _BRIEF.maxother = 60


@dataclass(frozen=True, kw_only=True)
class Study:
    """A study file that has been checked whole.

    `file` holds its bytes without the passwords of databases; `sha256` is of these. `told` holds, in sentences, every
    default that was taken. `log_source` is None where the study only plans a trial. `listed` are the jobs written out
    in the file, or None for every material and burr severity of the log. `history_names`: the earlier logs as the file
    names them. `next_plates`: so many further plates are to be proposed; None for none.
    """

    name: str
    path: Path
    file: bytes = field(repr=False)
    sha256: str
    units: str
    line: Line
    told: tuple[str, ...]
    listed: tuple[Job, ...] | None
    limits: Mapping[str, Any]
    setup_sheet: SheetIssue
    severities: Mapping[str, tuple[float, float]] | None = None
    log_source: str | tuple[str, ...] | None = None
    table: str | None = None
    sheet: str | tuple[str, ...] | None = None
    columns: Mapping[str, str | float] = field(default_factory=lambda: MappingProxyType({}))
    trial: Trial | None = None
    history: tuple[str, ...] = ()
    history_names: tuple[str, ...] = ()
    new_sheets: bool = False
    next_plates: int | None = None

    def read_history(self) -> tuple[TrialLog, ...]:
        """Earlier logs of the same line, in the order named; what of `columns` fits their headers holds for them too.

        Raises `LogError` with the faults of all of them, each under the name that the study file has for it.
        """
        read: list[TrialLog] = []
        broken: list[tuple[str, LogError]] = []
        for name, source in zip_longest(self.history_names, self.history, fillvalue=""):
            try:
                log = read_earlier(source, dict(self.columns) or None)
                read.append(told_beyond_line(log, self.line, self.units))
            except LogError as error:
                broken.append((name, error))
        if len(broken) == 1:
            raise LogError(broken[0][1].problems, f"earlier log {broken[0][0]}")
        if broken:
            raise LogError([FileProblem(p.row, p.column, p.found, p.wanted, p.remedy, name)
                            for name, error in broken for p in error.problems], "earlier logs")
        return tuple(read)

    def read_log(self) -> TrialLog:
        """The study's trial log.

        Raises `StudyError` where the study names none, `LogError` where the log cannot be used.
        """
        if self.log_source is None:
            raise StudyError(StudyProblem(None, "log", "nothing", "the trial log of the study",
                                          "add a line such as 'log: trials.csv'"), self.path.name)
        source = list(self.log_source) if isinstance(self.log_source, tuple) else self.log_source
        log = read_beside(source, self.sheet, self.table, dict(self.columns) or None, self.history)
        return told_beyond_line(log, self.line, self.units)

    def jobs(self, log: TrialLog) -> tuple[Job, ...]:
        """The jobs to answer: as listed, or every material and burr severity of the log with its usual settings."""
        return self.listed if self.listed is not None else every_job(log, self.limits, self.units)[0]

    def choices(self, log: TrialLog) -> tuple[str, ...]:
        """What was chosen for the jobs that the file does not list, in sentences."""
        return () if self.listed is not None else every_job(log, self.limits, self.units)[1]


def read_study(path: str | Path) -> Study:
    """Read and check a study file.

    Raises `StudyError` with every fault at once: unknown, missing or mistyped keys, values that cannot be, jobs that
    are impossible. Each fault names its line and key; a misspelt key gets the nearest known one.

    >>> import pathlib, tempfile, edgefinish as ef
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "yard.yaml")
    ...     _ = file.write_text("study: yard\\nlimits: {edge_radius_mm: [0.2, 0.6]}\\nlog: trials.csv\\n")
    ...     study = ef.read_study(file)
    >>> study.name, study.units, study.told[0]
    ('yard', 'metric', 'units: none given, metric units are shown.')
    """
    if not isinstance(path, (str, os.PathLike)):
        raise StudyError(StudyProblem(None, "study file", type(path).__name__, "the path of a study file",
                                      "such as 'study.yaml'"))
    path = Path(path).expanduser().absolute()
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise StudyError(StudyProblem(None, "study file", str(path), "a study file that can be read",
                                      f"check the path ({error.strerror})")) from None
    return _Check(path, raw, tree_of(path, raw)).study()


class _Check:
    """One reading of one file: gathers every fault, then makes the study or refuses it."""

    def __init__(self, path: Path, raw: bytes, root: yaml.MappingNode) -> None:
        self.path = path
        self.text = raw.decode("utf-8")
        self.bad: list[StudyProblem] = []
        self.told: list[str] = []
        self.lines: dict[str, int] = {}
        self.unread: set[str] = set()
        self.given: dict[str, Any] = self._value(root, "")

    def fault(self, key: str, found: Any, wanted: str, remedy: str = "") -> None:
        if key in self.unread:
            return
        text = as_written(found if isinstance(found, str) else "nothing" if found is None else _BRIEF.repr(found))
        parent = re.sub(r"(^|[. ])[^. ]*$", "", key)
        line = self.lines.get(key, self.lines.get(parent))
        self.bad.append(StudyProblem(line, key, text, wanted, remedy))

    def _value(self, node: yaml.Node, where: str) -> Any:
        """Node to plain values; notes the line of each key and refuses keys that stand there twice."""
        self.lines.setdefault(where, node.start_mark.line + 1)
        if not isinstance(node, yaml.ScalarNode) and not node.tag.endswith((":map", ":seq")):
            self.fault(where, node.tag, "plain lists and entries", "leave the tag out")
        if isinstance(node, yaml.SequenceNode):
            return [self._value(n, f"{where}, {i}") for i, n in enumerate(node.value, 1)]
        if isinstance(node, yaml.ScalarNode):
            return node.value if where.startswith(("trial.apart, ", "sheet, ")) else self._scalar(node, where)
        entries: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self.fault(where, "brackets as a key", "keys that are words", f"line {key_node.start_mark.line + 1}")
                continue
            key = key_node.value
            place = f"{where}.{key}" if where else key
            if key in entries:
                first, self.lines[place] = self.lines[place], key_node.start_mark.line + 1
                self.fault(place, key, "each key once", f"it stands on line {first} already")
                continue
            self.lines[place] = key_node.start_mark.line + 1
            is_text = key in TEXT_KEYS and isinstance(value_node, yaml.ScalarNode)
            if is_text and not value_node.tag.endswith(":null"):
                entries[key] = value_node.value
            else:
                value = self._value(value_node, place)
                name = "burr_height_mm" if where == "severities" else key
                entries[key] = value if where == "columns" else with_unit(name, value)
        return entries

    def _scalar(self, node: yaml.ScalarNode, where: str) -> Any:
        try:
            if not node.tag.startswith("tag:yaml.org,2002:"):
                raise ValueError
            value = yaml.SafeLoader("").construct_object(node)
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if number and (_TWO_READINGS.search(node.value) or not abs(value) <= MOST_NUMBER):
                raise ValueError
            return value
        except (ValueError, LookupError, TypeError, AttributeError, OverflowError, yaml.YAMLError):
            self.fault(where, node.value, "a plain number or word",
                       "write numbers with digits and a point alone, and put text that looks like a date in quotes")
            self.unread.add(where)
            return None

    def _mapping(self, key: str, known: Sequence[str]) -> dict[str, Any]:
        """The entries below a key, the unknown ones refused with the nearest known."""
        value = self.given.get(key)
        if value is None:
            return {}
        if not isinstance(value, dict):
            self.fault(key, value, f"entries among {', '.join(known)}" if known else "entries, one a line")
            return {}
        if known:
            self._known(value, known, f"{key}.")
            return {k: v for k, v in value.items() if k in known}
        return value

    def _known(self, entries: Mapping[str, Any], known: Sequence[str], prefix: str = "") -> None:
        for key in entries:
            if key not in known:
                near, hint = nearest(key, known), "numbers have a point: 0.90, not 0,90" * str(key).isdigit()
                self.fault(f"{prefix}{key}", key, "a known key" if near else f"one of {', '.join(known)}", near or hint)

    def _pair(self, key: str, value: Any, unit: str, fixed: bool = False) -> tuple[float, float] | None:
        """Two numbers, the lower first; alike only for what may be `fixed`."""
        if (isinstance(value, list) and len(value) == 2
                and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
                and 0 <= value[0] <= value[1] < float("inf") and (fixed or value[0] < value[1])):
            return float(value[0]), float(value[1])
        self.fault(key, value, f"two numbers in {unit}, the lower first", f"such as {_SUCH_AS[unit]}")
        return None

    def _text(self, key: str) -> str | None:
        value = self.given.get(key)
        if value is None:
            return None
        if not isinstance(value, str) or not value.strip():
            self.fault(key, value, "a name")
            return None
        return value.strip()

    def study(self) -> Study:
        """The study, or every fault at once."""
        self._known(self.given, KEYS)
        name = self._text("study")
        if name is None and "study" not in {p.column for p in self.bad}:
            self.fault("study", None, "a name for the study", "it becomes the name of the result folder")
        elif name is not None and (not _NAME.fullmatch(name) or _RESERVED.fullmatch(name)):
            self.fault("study", name, "a name of letters, digits, spaces, - _ + and .",
                       "it becomes the name of the result folder, and some systems keep names such as con for devices")
        units = self._units()
        limits = self._limits()
        listed = self._jobs(limits)
        file = self._without_credentials()
        made = dict(name=name, path=self.path, file=file, sha256=hashlib.sha256(file).hexdigest(), units=units,
                    line=self._line(), listed=listed, limits=MappingProxyType(limits),
                    severities=self._severities(), **self._log(), **self._history(),
                    columns=MappingProxyType(self._columns()),
                    setup_sheet=sheet_issue(self._mapping("setup_sheet", ISSUE_KEYS), units, self.fault),
                    trial=read_trial(self._mapping("trial", TRIAL_KEYS), self.fault, self._pair),
                    next_plates=self._next_plates())
        if self.bad:
            order = sorted(self.bad, key=lambda p: (p.row is None, p.row or 0))
            raise StudyError(order, self.path.name)
        return Study(**(made | kept_sources(self.path)), told=tuple(self.told))

    def _without_credentials(self) -> bytes:
        """The file as it may be kept beside results and be shown."""
        named = [self.given.get(key) for key in SOURCES]
        addresses = [a for n in named for a in (n if isinstance(n, list) else [n]) if isinstance(a, str) and "://" in a]
        if any(a not in self.text for a in addresses):
            self.fault("log", "a database URL with escapes or over two lines", "the URL as it is, on one line")
        return without_credentials(self.text, addresses).encode()

    def _units(self) -> str:
        units = self.given.get("units")
        if units is None:
            self.told.append("units: none given, metric units are shown.")
            return "metric"
        if units not in ("metric", "imperial"):
            self.fault("units", units, "metric or imperial", nearest(str(units), ("metric", "imperial")))
        return str(units)

    def _line(self) -> Line:
        given = self._mapping("line", LINE_KEYS)
        speed, pressure, grits = (given.get(k) for k in LINE_KEYS)
        if grits is not None:
            grits = self._grits(grits) or None
        for value, what in ((speed, "feed speed"), (pressure, "drum pressure"), (grits, "grits")):
            if value is None:
                self.told.append(f"line: no {what} given, so only what was tried limits it.")
        return Line(
            feed_speed_m_min=None if speed is None else self._pair("line.feed_speed_m_min", speed, "m/min"),
            drum_pressure_kPa=None if pressure is None else self._pair("line.drum_pressure_kPa", pressure, "kPa", True),
            grits=grits)

    def _grits(self, grits: Any) -> tuple[str, ...] | None:
        names = []
        for grit in grits if isinstance(grits, list) and grits else [grits]:
            try:
                names.append(grit_name(grit if isinstance(grit, str) else str(grit)))
            except ValueError:
                hint = f"write P{grit} if the sheet is so marked" if isinstance(grit, int) else ""
                self.fault("line.grits", grit, "P-scale grits such as [P60, P80]", hint)
        return tuple(names)

    def _limits(self) -> dict[str, Any]:
        """Limits and promise that hold for every job that does not say otherwise, faulty ones left out."""
        limits = self._mapping("limits", LIMIT_KEYS)
        promise = self._mapping("promise", PROMISE_KEYS)
        for key, usual in (("share", 0.90), ("confidence", 0.95)):
            if key not in promise:
                self.told.append(f"promise: no {key} given, {usual:.2f} is taken.")
                promise[key] = usual
        good = {k: tuple(v) if isinstance(v, list) else v for k, v in limits.items() if v is not None}
        probe = {"removal_um": 1.0} | good
        try:
            Job.from_mapping(_LIMITS_ANY | probe | promise)
        except JobError as error:
            for p in error.problems:
                key = str(p.column)
                self.fault(f"{'limits' if key in LIMIT_KEYS else 'promise'}.{key}", p.found, p.wanted, p.remedy)
                good.pop(key, None)
                promise.pop(key, None)
        return good | promise

    def _jobs(self, limits: Mapping[str, Any]) -> tuple[Job, ...] | None:
        jobs = self.given.get("jobs")
        if jobs is None or isinstance(jobs, str):
            if jobs is None:
                self.told.append(f"jobs: none given, {EVERY} is taken.")
            elif " ".join(jobs.split()).casefold() != EVERY:
                self.fault("jobs", jobs, f"a list of jobs, or: {EVERY}", nearest(jobs, (EVERY,)))
            if not any(k in limits for k in LIMIT_KEYS) and not any("limits" in str(p.column) for p in self.bad):
                self.fault("limits", None, f"at least one limit among {', '.join(LIMIT_KEYS)}",
                           "say what the edges must meet")
            return None
        if not isinstance(jobs, list) or not jobs:
            self.fault("jobs", jobs, f"a list of jobs, or: {EVERY}")
            return None
        return tuple(self._each_job(jobs, limits))

    def _each_job(self, jobs: list[Any], limits: Mapping[str, Any]) -> Iterator[Job]:
        """The jobs of the list, those that are sound."""
        for key, taken in (("sheet_hours", "0 to 15 contact hours are taken"), ("passes", "1 pass is taken")):
            without = [n for n, entry in enumerate(jobs, 1) if isinstance(entry, dict) and key not in entry]
            if without:
                self.told.append(f"{jobs_named(without)}: no {key} given, {taken}.")
        faulty_above = {str(p.column).partition(".")[2] for p in self.bad}
        for number, entry in enumerate(jobs, 1):
            where = f"jobs, {number}"
            if not isinstance(entry, dict):
                self.fault(where, entry, "a job such as {material: S355, thickness_mm: 10, …}")
                continue
            try:
                yield Job.from_mapping({**limits, **entry})
            except JobError as error:
                for p in error.problems:
                    if p.column in entry or p.column not in faulty_above:
                        self.fault(f"{where}.{p.column}", p.found, p.wanted, p.remedy)

    def _severities(self) -> Mapping[str, tuple[float, float]] | None:
        given = self._mapping("severities", ())
        pairs = {w.strip().casefold(): self._pair(f"severities.{w}", value, "mm") for w, value in given.items()}
        return MappingProxyType({w: p for w, p in pairs.items() if p is not None}) if pairs else None

    def _columns(self) -> dict[str, str | float]:
        given = self._mapping("columns", ())
        for name, value in given.items():
            if isinstance(value, bool) or not isinstance(value, str | int | float):
                self.fault(f"columns.{name}", value, "a column name with its unit, or a constant",
                           "such as 'feed speed [ft/min]', or 1")
        return given

    def _log(self) -> dict[str, Any]:
        log, table, sheet = self.given.get("log"), self._text("table"), self._sheet()
        files = log if isinstance(log, list) else [] if log is None else [log]
        if (isinstance(log, list) and not log) or not all(isinstance(f, str) and f.strip() for f in files):
            self.fault("log", log, "a file, a list of files, or a database URL with `table:`")
            files = []
        found = tuple(self._beside(f.strip()) for f in files)
        urls = [f for f in found if "://" in f]
        if urls and table is None:
            self.fault("table", None, "the table to read from the database", "add a line such as 'table: trials'")
        if table is not None and not urls and found:
            self.fault("table", table, "no table, since `log` is no database URL", "leave it out")
        if sheet is not None and not all(f.lower().endswith((".xlsx", ".xlsm")) for f in found):
            self.fault("sheet", sheet, "no sheet, since `log` is no spreadsheet", "leave it out")
        source = None if not found else found if isinstance(log, list) else found[0]
        return {"log_source": source, "table": table, "sheet": sheet}

    def _sheet(self) -> str | tuple[str, ...] | None:
        """The sheet of a workbook, or several of them, which are read as one log."""
        given = self.given.get("sheet")
        if not isinstance(given, list):
            return self._text("sheet")
        names = tuple(name.strip() for name in given if isinstance(name, str) and name.strip())
        if not names or len(names) < len(given) or len(set(names)) < len(names):
            self.fault("sheet", given, "the name of a sheet, or several in a list, each once")
        return names

    def _history(self) -> dict[str, Any]:
        """Earlier logs of the line, and whether the sheets are new since."""
        logs, new = self.given.get("history", []), self.given.get("new_sheets", False)
        files = logs if isinstance(logs, list) else [logs]
        if not all(isinstance(f, str) and f.strip() for f in files):
            self.fault("history", logs, "a file or a list of files: earlier logs of the same line")
            files = []
        if not isinstance(new, bool):
            self.fault("new_sheets", new, "true or false: whether sheet lot or supplier changed since the history")
            new = False
        if new and not files:
            self.fault("new_sheets", new, "a `history` beside it", "leave it out")
        return {"history": tuple(self._beside(f.strip()) for f in files), "new_sheets": new,
                "history_names": tuple(without_address(f.strip()) for f in files)}

    def _next_plates(self) -> int | None:
        """How many further plates the report is to propose."""
        count = self.given.get("next_plates")
        if count is not None and (isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 6):
            self.fault("next_plates", count, "a whole number from 1 to 6", "or leave it out: nothing is proposed then")
        return count

    def _beside(self, source: str) -> str:
        """A source whose relative path starts at the study file."""
        if "://" not in source:
            return str(self.path.parent / Path(source).expanduser())
        head, slashes, file = source.partition(":///")
        if head.startswith("sqlite") and slashes and file and not file.startswith(("/", ":", "file:")):
            return f"{head}:///{self.path.parent / file}"
        return source


def demo_folder(kind: str) -> Path:
    """Where the shipped `notebooks` or `demo` lie: inside an installed package, at the top of a checkout.

    >>> (demo_folder("demo") / "study.yaml").name
    'study.yaml'
    """
    inside = Path(__file__).parent / "shipped" / kind
    return inside if inside.is_dir() else Path(__file__).parents[1] / {"demo": "data/demo"}.get(kind, kind)
