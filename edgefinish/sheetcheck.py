"""A setup sheet held against its study: does it belong to it, was it altered, does it still stand."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from typing import Any, Literal

from .compare import Difference, compare_texts, page_text, pdf_text, read_tokens, tokens
from .errors import Problem, RunError
from .fingerprint import DIGITS, fingerprint, window_mark
from .inputs import fingerprints
from .job import SpeedWindow
from .kept import INPUTS, STUDY
from .reproduce import changed_inputs, read_record
from .results import Results, open_study
from .setupsheet import sheet_html, sheet_pdf
from .sheetissue import SheetIssue
from .study import read_study
from .wording import job_name

Verdict = Literal["stands", "altered", "superseded", "other log", "other study file", "other study", "other window",
                  "result changed"]
_MARK = re.compile(rf"(?<![0-9a-f-])([0-9a-f]{{{DIGITS}}})-([0-9a-f]{{{DIGITS}}})-([0-9a-f]{{{DIGITS}}})(?![0-9a-f-])")

# What stands on a sheet after its revision.
_AFTER_REVISION = ("replaces", "☐", "SUPERSEDED")


@dataclass(frozen=True)
class SheetCheck:
    """What a sheet is to a study. `sentences`: why, to act on; `differences`: what was altered on it."""

    sheet: str
    verdict: Verdict
    sentences: tuple[str, ...]
    differences: tuple[Difference, ...] = ()

    @property
    def stands(self) -> bool:
        """Whether the line may be set by this sheet as far as this study goes."""
        return self.verdict == "stands"


def check_sheet(folder: str | Path, sheet: str | Path) -> SheetCheck:
    """Hold a setup sheet, HTML or PDF, against a finished study, whose windows are worked out again for it.

    Raises `RunError` where the folder is no finished study, or the file no setup sheet with a fingerprint.
    """
    folder, sheet = Path(folder).expanduser().absolute(), Path(sheet).expanduser().absolute()
    record, windows = read_record(folder)
    words = _read(sheet)
    marks = {m.groups() for m in map(_MARK.fullmatch, words) if m}
    if len(marks) != 1:
        raise RunError(Problem(None, None, f"{len(marks) or 'no'} fingerprints in {sheet.name}",
                               "a setup sheet, HTML or PDF, with its one fingerprint", "is it a picture, or cut off?"))
    changed = changed_inputs(folder, record)
    if changed:
        return SheetCheck(sheet.name, "result changed", tuple(
            f"The {d.where.split()[0]} kept in {folder.name} is not the one that its record names." for d in changed))
    log, study, window = marks.pop()
    there = fingerprints(folder / INPUTS)
    same_log, same_study = there["log_sha256"].startswith(log), there["study_sha256"].startswith(study)
    if not (same_log and same_study):
        return _of_others(folder, sheet, record, words, same_log, same_study)
    results = open_study(folder / INPUTS / STUDY)
    found = [w for w in results.windows if w.verdict == "window" and fingerprint(results, w).endswith(window)]
    if not found:
        known = any(window_mark(row) == window for row in windows if row.get("verdict") == "window")
        return SheetCheck(sheet.name, "other window", (
            "Log and study file are those of this study, but "
            + ("its windows come out otherwise now: run `edgefinish reproduce` to see what changed." if known else
               "no window of it has this sheet's fingerprint."),))
    return _as_printed(results, found[0], sheet, words)


def _read(sheet: Path) -> list[str]:
    try:
        return read_tokens(sheet)
    except RunError as error:
        why = error.problems[0].remedy
        hint = f"{why}: it may be a picture of one" if sheet.is_file() and sheet.suffix.lower() != ".pdf" else why
        raise RunError(Problem(None, None, sheet.name, "a setup sheet, its HTML or PDF as a run leaves it", hint)
                       ) from None


def _of_others(folder: Path, sheet: Path, record: Any, words: Sequence[str], same_log: bool, same_study: bool
               ) -> SheetCheck:
    """A sheet that was made from another log or another study file, as far as its name tells which."""
    name = tokens(str(record["study"]))
    named = any(list(words[i:i + len(name) + 1]) == ["study", *name] for i in range(len(words) - len(name)))
    issue = read_study(folder / INPUTS / STUDY).setup_sheet
    if not named:
        return SheetCheck(sheet.name, "other study", (_of_another(words, str(record["study"]), issue),))
    revision = _revision(words, name)
    if issue.supersedes and revision == tokens(issue.supersedes):
        return SheetCheck(sheet.name, "superseded", (
            f"This sheet is revision {issue.supersedes} of study {record['study']}, superseded by revision "
            f"{issue.revision}: take it down. Print that of revision {issue.revision} from {folder.name}.",))
    if issue.superseded_by and revision == tokens(str(issue.revision)):
        return SheetCheck(sheet.name, "superseded", (
            f"This sheet is revision {issue.revision} of study {record['study']}, superseded by revision "
            f"{issue.superseded_by}: take it down. Do not print it anew from {folder.name}, which is superseded too.",))
    if issue.superseded_by and revision == tokens(issue.superseded_by):
        return SheetCheck(sheet.name, "other study file", (
            f"This sheet is revision {issue.superseded_by} of study {record['study']}; {folder.name} holds revision "
            f"{issue.revision}, superseded since. Hold it against the result of revision {issue.superseded_by}.",))
    if same_study:
        return SheetCheck(sheet.name, "other log", (
            f"Study {record['study']} has another log in {folder.name} than when this sheet was made: where the log "
            "here is the newer one, the sheet is superseded. Print it anew.",))
    also = "" if same_log else " and another log"
    return SheetCheck(sheet.name, "other study file", (
        f"Study {record['study']} has another study file{also} in {folder.name} than when this sheet was made: limits, "
        "jobs or settings may differ. Where the one here is the newer, the sheet is superseded. Print it anew.",))


def _of_another(words: Sequence[str], here: str, issue: SheetIssue) -> str:
    """Which study a sheet is of and which one it is held against; a study may have got another name since."""
    at = next((i for i in range(1, len(words)) if (words[i - 1], words[i]) == ("line", "study")), len(words))
    name = list(takewhile(lambda word: word != "Revision", words[at + 1:]))
    if not name:
        return f"This sheet is of another study than {here}."
    there, revision = " ".join(name), _revision(words, name)
    said = (f"This sheet is of study {there}{', revision ' if revision else ''}{' '.join(revision)}, not of {here}"
            f"{f', revision {issue.revision}' if issue.revision else ''}.")
    if issue.supersedes and revision == tokens(issue.supersedes):
        said += (f" Revision {issue.revision} replaces revision {issue.supersedes}: if {there} is what {here} was "
                 "called then, the sheet is superseded, take it down.")
    return said


def _revision(words: Sequence[str], name: Sequence[str]) -> list[str]:
    """The words of the revision that a sheet says it is, after the study's name; none where it says none.

    >>> _revision("study yard 2 Revision 1 b replaces 1".split(), ["yard", "2"])
    ['1', 'b']
    """
    head = ["study", *name, "Revision"]
    first = next((i + len(head) for i in range(len(words)) if list(words[i:i + len(head)]) == head), len(words))
    return list(takewhile(lambda word: word not in _AFTER_REVISION, words[first:]))


def _as_printed(results: Results, window: SpeedWindow, sheet: Path, words: Sequence[str]) -> SheetCheck:
    """The sheet against the one that the study gives now, word by word, then byte by byte."""
    is_pdf = sheet.suffix.lower() == ".pdf"
    printed = sheet_pdf(results, window) if is_pdf else sheet_html(results, window).encode()
    name = job_name(window.job, results.study.units)
    compared = compare_texts(sheet.name, words, _words(printed, is_pdf))
    if compared.differences:
        return SheetCheck(sheet.name, "altered", (
            f"This is the sheet of {name}, but not as the study gives it: do not use it, print it anew.",),
            compared.differences)
    given = sheet.read_bytes()
    if given.replace(b"\r\n", b"\n") != printed.replace(b"\r\n", b"\n"):
        return SheetCheck(sheet.name, "altered", (
            f"Words and numbers are those of {name}, but the file is not as it was written: something was drawn on it, "
            "or another program or version saved it. Print it anew.",))
    by = results.study.setup_sheet.superseded_by
    if by:
        return SheetCheck(sheet.name, "superseded", (
            f"This sheet is of this study and unaltered, and stamped: superseded by revision {by}. Not to be run.",))
    return SheetCheck(sheet.name, "stands", (
        f"This sheet is of this study, {name}, unaltered; worked out again, its window is the same.",))


def _words(printed: bytes, is_pdf: bool) -> list[str]:
    return tokens(pdf_text(printed) if is_pdf else page_text(printed.decode()))
