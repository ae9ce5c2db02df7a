"""Where a result stands: one run at a time, whole or not at all, and what broken-off runs left is found and cleared."""

from __future__ import annotations

import json
import logging
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from .errors import Problem, RunError
from .findings import as_written
from .kept import INPUTS, kept_files

try:
    import fcntl
except ImportError:  # no such locks on this system: a run at work cannot be told from one that was broken off
    fcntl = None  # type: ignore[assignment]

# What a run leaves in its folder, besides the inputs; anything else there is somebody's work.
LEFT: Mapping[str, tuple[str, ...]] = {
    "windows.csv": (), "windows.json": (), "report.html": (), "setup-sheets": (".html", ".pdf"),
    "notebooks": (".ipynb",)}
_LOG = logging.getLogger(__name__)


def check_target(target: Path) -> None:
    """Refuse a folder that no earlier run made, or that holds anything besides.

    Raises `RunError` with everything in it that is not a run's.
    """
    if record_of(target, "windows.json", "run") is None:
        return
    foreign = _foreign(target)
    if foreign:
        raise RunError([Problem(None, None, str(p), "only what a run leaves", "move it elsewhere first")
                        for p in foreign[:20]], "the folder would be replaced whole")


def record_of(target: Path, name: str, maker: str) -> Mapping[str, Any] | None:
    """The record that an earlier run or plan (`maker`) left in the file `name` of a folder; None without the folder.

    Raises `RunError` where something else lies there.
    """
    try:
        target.lstat()
    except FileNotFoundError:
        return None
    except OSError as error:  # such as a name that is too long, or a file where a folder should be above
        raise RunError(Problem(None, None, as_written(target.name), "a folder that can be made",
                               f"{error.strerror}; name another with --out")) from None
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise RunError(Problem(None, None, str(target), "a folder", "name another with --out"))
    try:
        record = json.loads((target / name).read_text(encoding="utf-8"))["record"]
        ours = "edgefinish" in record
    except (OSError, ValueError, TypeError, KeyError):
        ours = False
    if not ours:
        raise RunError(Problem(None, None, str(target), f"a new folder, or one that an earlier {maker} made",
                               "name another with --out, or move this one away; nothing in it was touched"))
    return record


def _foreign(folder: Path) -> list[Path]:
    """What lies in a folder and was not put there by a run."""
    ours = kept_files(folder / INPUTS)
    inputs = {folder / INPUTS, *ours, *(p.parent for p in ours)}
    return [p for p in sorted(folder.rglob("*"))
            if p.is_symlink() or not (p in inputs or _left_by_us(p.relative_to(folder)))]


def _left_by_us(path: Path) -> bool:
    top, *rest = path.parts
    if not rest:
        return top in LEFT
    return ".ipynb_checkpoints" in rest or (len(rest) == 1 and path.suffix in LEFT.get(top, ()))


@contextmanager
def written_whole(target: Path, check: Callable[[Path], None] = check_target,
                  foreign: Callable[[Path], list[Path]] = _foreign) -> Iterator[Path]:
    """A folder beside the target that takes its place when the block ends well, and vanishes when it does not.

    It is locked while it is written: a second run at the same target is refused, and a folder without a lock is known
    as left by a run that was broken off. `check` refuses a target that must not be replaced; `foreign`: what in
    a folder left over is somebody's work. Raises `RunError` where another run is at work, or the disk refuses.
    """
    new_parents = [p for p in target.parents if not p.exists()]
    with suppress(OSError):
        tempfile.gettempdir()  # tried with a file the first time: not where an interrupt would leave it behind
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with _alone(target.parent):
            _clear(target, foreign)
            folder = target.parent / f".{target.name}-{secrets.token_hex(4)}"
            folder.mkdir()
            lock = _lock(folder)
    except OSError as error:
        _without_empty(new_parents)
        raise RunError(Problem(None, None, str(target), "a folder that can be written", str(error.strerror))) from None
    try:
        yield folder
        _settle(folder)
        with _alone(target.parent):
            _put(folder, target, check)
    except BaseException as error:
        shutil.rmtree(folder, ignore_errors=True)
        with suppress(OSError):
            _remove_home(kernel_home(folder))  # an interrupt may come between its making and its keeper
        _without_empty(new_parents)
        if isinstance(error, OSError):
            raise RunError(Problem(None, None, str(error.filename or target), "room and leave to write",
                                   f"{error.strerror}; nothing was left behind")) from None
        raise
    finally:
        if lock is not None:
            os.close(lock)


def kernel_home(folder: Path) -> Path:
    """Where the kernels of a run keep their sockets, told from its folder: what a killed run left there is found."""
    return Path(tempfile.gettempdir(), f"ef-{folder.name.rpartition('-')[2]}")


def _put(folder: Path, target: Path, check: Callable[[Path], None]) -> None:
    """The finished folder in the target's place. Until the last move the earlier one is whole, there or as `-old`."""
    if not target.exists():
        os.rename(folder, target)
        return
    check(target)
    aside = folder.with_name(f"{folder.name}-old")
    os.rename(target, aside)
    try:
        os.rename(folder, target)
    except BaseException:
        os.rename(aside, target)
        raise
    # From here on it may be half deleted: never to be put back.
    gone = folder.with_name(f"{folder.name}-gone")
    os.rename(aside, gone)
    shutil.rmtree(gone, ignore_errors=True)


def _clear(target: Path, foreign: Callable[[Path], list[Path]]) -> None:
    """Put back or remove what broken-off runs at this target left, and say so; refuse beside a run at work."""
    form = re.compile(rf"\.{re.escape(target.name)}-[0-9a-f]{{8}}(-old|-gone)?")
    left = sorted((p for p in target.parent.iterdir() if form.fullmatch(p.name) and p.is_dir() and not p.is_symlink()),
                  key=lambda p: not p.name.endswith("-old"))
    for folder in left:
        if not folder.name.endswith(("-old", "-gone")) and _at_work(folder):
            raise RunError(Problem(None, None, folder.name, "no other run at work on the same folder",
                                   "wait until it is done, or name another folder with --out"), target.name)
        if folder.name.endswith("-old") and not target.exists():
            os.rename(folder, target)
            _LOG.warning("found: an earlier run broke off while it replaced %s; the results before it are back in "
                         "place", target)
        elif foreign(folder):
            _LOG.warning("found: %s, left by a run that broke off, with other files in it; not touched", folder)
        else:
            shutil.rmtree(folder, ignore_errors=True)
            _remove_home(kernel_home(folder))
            _LOG.warning("found: %s, left by a run that broke off; removed, nothing of it is used", folder.name)


def _remove_home(home: Path) -> None:
    with suppress(OSError):
        if not home.is_symlink() and home.stat().st_uid == os.getuid():
            shutil.rmtree(home, ignore_errors=True)


def _without_empty(parents: list[Path]) -> None:
    for parent in parents:
        if parent.exists() and not any(parent.iterdir()):
            parent.rmdir()


@contextmanager
def _alone(parent: Path) -> Iterator[None]:
    """No other run looks at or moves folders here meanwhile."""
    handle = os.open(parent, os.O_RDONLY) if fcntl is not None else None
    try:
        if handle is not None:
            with suppress(OSError):  # a network drive without locks
                fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _lock(folder: Path) -> int | None:
    """A lock on a folder as long as this process lives and the handle is open; None where there are no locks."""
    if fcntl is None:
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _at_work(folder: Path) -> bool:
    """Whether a run holds the lock of its folder; without locks no run is taken for dead."""
    lock = _lock(folder)
    if lock is None:
        return True
    os.close(lock)
    return False


def _settle(folder: Path) -> None:
    """Everything on the disk itself before the folder is shown: a power cut leaves no empty files to be believed."""
    if fcntl is None:
        return
    for path in [*folder.rglob("*"), folder]:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
