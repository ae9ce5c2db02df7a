"""Keeps the inputs of a study inside its result, byte for byte, so that it can be run again from there."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from .databases import database_frame
from .errors import Problem, RunError
from .findings import Findings
from .kept import LIST, STUDY, names, read_list
from .sources import bytes_of
from .study import Study, read_study
from .words import as_text

LONGEST_NAME = 120


def keep(study: Study, inputs: Path) -> Study:
    """Write study file and logs into a new folder; returns the study that reads them from there.

    Files are kept byte for byte, a database table as the rows that were read, its address without name and password.
    Raises `LogError` or `StudyError` where a log cannot be read.
    """
    found = Findings()
    listed: dict[str, Any] = {}
    inputs.mkdir()
    for kind, source in (("log", study.log_source), ("history", study.history)):
        several = not isinstance(source, str)
        kept = [_keep(one, study.table if kind == "log" else None, inputs / f"{kind}-{number}", found)
                for number, one in enumerate((source or ()) if several else (source,), 1)]
        listed[kind] = kept if several else kept[0]
    if found.problems or study.log_source is None:
        study.read_log()
        study.read_history()
        raise RunError(Problem(None, None, "a log that changed while it was read", "a log that stays as it is",
                               "run the study again"))
    (inputs / STUDY).write_bytes(study.file)
    (inputs / LIST).write_text(json.dumps(listed, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    return read_study(inputs / STUDY)


def _keep(source: str, table: str | None, folder: Path, found: Findings) -> str:
    folder.mkdir()
    if "://" not in source:
        data, name = bytes_of(Path(source), found), Path(source).name
        if data is not None:
            (folder / name).write_bytes(data)
        return f"{folder.name}/{name}"
    read = database_frame(source, table, found)
    if read is None:
        return f"{folder.name}/nothing"
    name = re.sub(r"[^\w .+-]+", "-", read[0])[:LONGEST_NAME] + ".parquet"
    _typed(read[1]).to_parquet(folder / name, index=False)
    return f"{folder.name}/{name}"


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows of a database in columns of one type each: where a column mixes them, as text, or as bytes if some are.

    Text is spelled as the reader of logs does, so that 12 and 12.0 stay one name.
    """
    kinds = {c: set(frame[c].dropna().map(type)) for c in frame if frame[c].dtype == object}
    return frame.assign(**{c: frame[c].map((lambda v: as_text(v).encode()) if bytes in kinds[c] else as_text,
                                           na_action="ignore") for c in kinds if len(kinds[c]) > 1})


def fingerprints(inputs: Path) -> Mapping[str, Any]:
    """The sha256 of what lies in a folder of inputs, under the names that a record has for them.

    Raises `RunError` where the folder is not as a run left it.
    """
    listed = read_list(inputs)
    try:
        digest = {n: hashlib.sha256((inputs / n).read_bytes()).digest() for n in names(listed)}
        study = hashlib.sha256((inputs / STUDY).read_bytes()).hexdigest()
    except OSError as error:
        raise RunError(Problem(None, None, f"no {Path(str(error.filename)).name} in {inputs}",
                               "the inputs that a run left, all of them",
                               "run the study again from its own files")) from None
    log = listed["log"]
    several = hashlib.sha256(b"".join(digest[n] for n in log)).hexdigest() if isinstance(log, list) and len(log) > 1 \
        else digest[log if isinstance(log, str) else log[0]].hex()
    return {"study_sha256": study, "log_sha256": several,
            **({"history_sha256": [digest[n].hex() for n in listed["history"]]} if listed["history"] else {})}
