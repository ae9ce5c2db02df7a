"""A finished study run again from the inputs that it kept, and every number compared with what it said."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .compare import Compared, Difference, compare_folders
from .errors import Problem, RunError
from .inputs import fingerprints
from .kept import INPUTS, LIST, STUDY, read_list
from .runner import finish_study
from .wording import listed

# What a record says of the inputs; all that it says besides, but for these, is of the machine's packages.
OF_STUDY = ("log_sha256", "study_sha256", "history_sha256", "parameters", "seed", "study", "units")


@dataclass(frozen=True)
class Reproduced:
    """A result and its run again. `versions`: what stands in the record and is another now: name, then, now.

    `holds`: every number is the same to six figures, every input is the one that the record names, and, where no
    version changed, every word is the same.
    """

    folder: Path
    numbers: int
    last_figure: int
    differences: tuple[Difference, ...]
    versions: tuple[tuple[str, str, str], ...]

    @property
    def faults(self) -> tuple[Difference, ...]:
        """The differences that a change of versions does not explain."""
        return tuple(d for d in self.differences if d.kind != "words" or not self.versions or d.file == INPUTS)

    @property
    def holds(self) -> bool:
        """Whether the result stands as it was."""
        return not self.faults

    def sentences(self, most: int = 20) -> list[str]:
        """What came out, for people; at most `most` of the differences."""
        if any(d.file == INPUTS for d in self.differences):
            return [f"{self.folder.name}: not run again, what it keeps is not what its record names:",
                    *map(str, self.differences)]
        numbers = sum(d.kind == "number" for d in self.differences)
        said = [f"{self.folder.name}: {self.numbers} numbers compared, {numbers} differ beyond six figures, "
                f"{self.last_figure} in the sixth figure."]
        said += [f"version of {name}: {then} then, {now} now" for name, then, now in self.versions]
        said += [] if self.versions else ["versions: the same"]
        shown = sorted(self.differences, key=lambda d: d not in self.faults)
        said += map(str, shown[:most])
        return said + ([f"and {len(shown) - most} more"] if len(shown) > most else [])


def read_record(folder: Path) -> tuple[Mapping[str, Any], list[dict[str, Any]]]:
    """The record and the windows of a finished study.

    Raises `RunError` where the folder is none, is damaged, or keeps no inputs.
    """
    if not os.path.isdir(folder):
        raise RunError(Problem(None, None, f"no folder {folder}", "the folder that a run left",
                               "check the name and the folder it is in"))
    try:
        left = json.loads((folder / "windows.json").read_text(encoding="utf-8"))
        record, windows = left["record"], left["windows"]
        if not isinstance(record, dict) or not all(isinstance(w, dict) for w in windows):
            raise ValueError
    except (OSError, ValueError, TypeError, KeyError):
        raise RunError(Problem(None, None, f"windows.json of {folder}", "the record of a finished study, as left by it",
                               "run the study again")) from None
    if not (folder / INPUTS / LIST).is_file():
        raise RunError(Problem(None, None, f"no {INPUTS} in {folder}", "a result that keeps its inputs",
                               "run the study once more: results keep them since"))
    return record, windows


def changed_inputs(folder: Path, record: Mapping[str, Any]) -> tuple[Difference, ...]:
    """Inputs kept in a result that are not those of its record, by their fingerprints."""
    there, found = fingerprints(folder / INPUTS), []
    kept = read_list(folder / INPUTS)
    for name in ("study_sha256", "log_sha256", "history_sha256"):
        then, now, files = record.get(name), there.get(name), kept.get(name.removesuffix("_sha256"))
        what = name.replace("_", " ")
        if then == now:
            continue
        if isinstance(then, list) and isinstance(now, list) and len(then) == len(now) == len(files):
            found += [(f"{what} of {file}", a, b) for file, a, b in zip(files, then, now, strict=True) if a != b]
        elif isinstance(files, list) and len(files) > 1:
            found.append((f"{what}, of one or more of {listed(files)}", then, now))
        else:
            found.append((what, then, now))
    return tuple(Difference(INPUTS, "file", where, str(then or ""), str(now or "")) for where, then, now in found)


def reproduce(folder: str | Path, workers: int = 1, progress: bool = True) -> Reproduced:
    """Run a finished study again from what it kept, in a folder of its own that is not left, and compare every number.

    Where the kept log or study is not the one of the record, nothing is run: that is the difference. Raises `RunError`
    where the folder is no finished study, and what a run raises.
    """
    folder = Path(folder).expanduser().absolute()
    record, _ = read_record(folder)
    changed = changed_inputs(folder, record)
    if changed:
        return Reproduced(folder, 0, 0, changed, ())
    with tempfile.TemporaryDirectory(prefix="edgefinish-") as again:
        now = Path(again, "again")
        finish_study(folder / INPUTS / STUDY, now, workers, progress)
        versions = _versions(record, read_record(now)[0])
        found = compare_folders(folder, now, leave_out=(INPUTS,))
    return Reproduced(folder, found.numbers, found.last_figure, _without_versions(found, versions), versions)


def _versions(record: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[tuple[str, str, str], ...]:
    return tuple((name, str(record.get(name, "none")), str(now.get(name, "none")))
                 for name in sorted({*record, *now} - set(OF_STUDY)) if record.get(name) != now.get(name))


def _without_versions(found: Compared, versions: tuple[tuple[str, str, str], ...]) -> tuple[Difference, ...]:
    """The differences but for the versions themselves, which are told once."""
    told = {(then, now) for _, then, now in versions}
    return tuple(d for d in found.differences if (d.before, d.now) not in told)
