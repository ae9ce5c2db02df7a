"""Runs that break: killed, interrupted, out of disk, barred, two at once. What was there stays whole, and is told."""

from __future__ import annotations

import hashlib
import json
import logging
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
import smallstudy

from edgefinish import place, runner
from edgefinish.errors import RunError

pytestmark = pytest.mark.skipif(place.fcntl is None, reason="no locks on folders here")
# A shell that starts the tests in the background has them ignore interrupts: the run is not to inherit that.
PROGRAM = ("import signal, sys\nsignal.signal(signal.SIGINT, signal.default_int_handler)\nfrom edgefinish import cli\n"
           "sys.exit(cli.main(['run', 'study.yaml', '--quiet', '--workers', '2']))")


def start(folder: Path, **limits: object) -> subprocess.Popen[str]:
    """A run of the study in a folder as a process of its own, its temporary files in `t` there."""
    (folder / "t").mkdir(exist_ok=True)
    return subprocess.Popen([sys.executable, "-c", PROGRAM], cwd=folder, stderr=subprocess.PIPE, text=True,
                            start_new_session=True, env={**os.environ, "TMPDIR": str(folder / "t")}, **limits)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def pages(folder: Path) -> dict[str, bytes]:
    """Every file of a result that is the same in each run: executed notebooks say how long their cells took."""
    return {name: data for name, data in contents(folder).items() if not name.endswith(".ipynb")}


def alive(folder: Path) -> list[str]:
    """Command lines of live processes that name a folder, after they had time to end."""
    found = []
    for _ in range(100):
        found = smallstudy.running(str(folder))
        if not found:
            break
        time.sleep(0.1)
    return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """A finished run of the small study beside its study file."""
    folder = tmp_path_factory.mktemp("whole")
    runner.run_study(smallstudy.write(folder), progress=False)
    return folder


@pytest.fixture
def yard(whole, tmp_path) -> Path:
    """A copy of it that a test may break."""
    return Path(shutil.copytree(whole, tmp_path / "yard"))


@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="no /proc to look for processes in")
def test_kills_at_random_moments_leave_the_earlier_result_or_the_new_one_and_no_kernel(yard):
    """A handful here; `tests/bench/kills.py` does it a hundred times and more."""
    before = pages(yard / "small-yard")
    moments = random.Random(5)
    for _ in range(2):
        run = start(yard)
        try:
            run.wait(moments.uniform(0.5, 6))
        except subprocess.TimeoutExpired:
            run.kill()
        run.communicate()
        assert pages(yard / "small-yard") == before
        assert alive(yard / "t") == []
    run = start(yard)
    said = run.communicate(timeout=120)[1]
    assert run.returncode == 0 and "Traceback" not in said
    assert pages(yard / "small-yard") == before
    assert sorted(p.name for p in yard.iterdir()) == ["small-yard", "study.yaml", "t", "trials.csv"]
    assert list((yard / "t").iterdir()) == []


def test_what_a_killed_run_left_is_removed_by_the_next_one_and_told(yard, caplog):
    left = yard / ".small-yard-00c0ffee"
    left.mkdir()
    (left / "report.html").write_text("half")
    home = place.kernel_home(left)
    home.mkdir()
    with caplog.at_level(logging.WARNING), place.written_whole(yard / "small-yard") as folder:
        (folder / "windows.json").write_text("{}")
    assert not left.exists() and not home.exists()
    assert ".small-yard-00c0ffee" in caplog.text and "broke off" in caplog.text


def test_a_run_killed_between_the_two_moves_gets_its_earlier_result_back(yard, caplog):
    before = pages(yard / "small-yard")
    os.rename(yard / "small-yard", yard / ".small-yard-00c0ffee-old")
    shutil.copytree(yard / ".small-yard-00c0ffee-old", yard / ".small-yard-00c0ffee")
    with caplog.at_level(logging.WARNING), pytest.raises(ZeroDivisionError), place.written_whole(yard / "small-yard"):
        assert pages(yard / "small-yard") == before
        raise ZeroDivisionError
    assert pages(yard / "small-yard") == before
    assert sorted(p.name for p in yard.iterdir()) == ["small-yard", "study.yaml", "trials.csv"]
    assert "back in place" in caplog.text


def test_a_result_that_was_being_deleted_is_never_put_back(yard):
    os.rename(yard / "small-yard", yard / ".small-yard-00c0ffee-gone")
    (yard / ".small-yard-00c0ffee-gone" / "windows.csv").unlink()
    with place.written_whole(yard / "small-yard") as folder:
        assert not (yard / "small-yard").exists()
        (folder / "windows.csv").write_text("new")
    assert contents(yard / "small-yard") == {"windows.csv": b"new"}
    assert not (yard / ".small-yard-00c0ffee-gone").exists()


def test_a_left_over_folder_with_work_of_somebody_in_it_is_not_touched(yard, caplog):
    left = yard / ".small-yard-00c0ffee"
    left.mkdir()
    (left / "letter.txt").write_text("mine")
    with caplog.at_level(logging.WARNING), place.written_whole(yard / "small-yard"):
        pass
    assert (left / "letter.txt").read_text() == "mine"
    assert "not touched" in caplog.text


def test_of_two_runs_into_one_folder_the_second_is_refused(yard):
    before = contents(yard / "small-yard")
    with place.written_whole(yard / "small-yard"):
        with pytest.raises(RunError, match="no other run at work"), place.written_whole(yard / "small-yard"):
            raise AssertionError("it was let in")
        run = start(yard)
        said = run.communicate(timeout=60)[1]
        assert run.returncode == 1 and "no other run at work" in said and "--out" in said
        assert contents(yard / "small-yard") == before


def test_two_runs_started_at_once_leave_one_whole_result(tmp_path, whole):
    for name in ("study.yaml", "trials.csv"):
        shutil.copy(whole / name, tmp_path)
    runs = [start(tmp_path) for _ in range(2)]
    said = [run.communicate(timeout=120)[1] for run in runs]
    codes = [run.returncode for run in runs]
    assert 0 in codes and set(codes) <= {0, 1}, said
    assert pages(tmp_path / "small-yard") == pages(whole / "small-yard")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["small-yard", "study.yaml", "t", "trials.csv"]


def test_work_put_into_the_folder_while_a_run_goes_on_is_not_lost(yard):
    with pytest.raises(RunError, match="letter.txt"), place.written_whole(yard / "small-yard"):
        (yard / "small-yard" / "letter.txt").write_text("mine")
    assert (yard / "small-yard" / "letter.txt").read_text() == "mine"
    assert (yard / "small-yard" / "windows.json").exists()


@pytest.mark.parametrize("room", [0, 200_000])
def test_a_disk_that_fills_up_at_any_file_is_told_and_leaves_what_was_there(yard, room):
    """A limit on the size of each file stands for a full disk: the write fails in the same way, half done."""
    before = contents(yard)
    run = start(yard, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (room, room)))
    said = run.communicate(timeout=120)[1]
    assert run.returncode == 1, said
    assert "File too large" in said and "Traceback" not in said
    assert contents(yard) == before
    assert list((yard / "t").iterdir()) == []


def test_a_full_disk_of_its_own_is_told_and_leaves_nothing(yard, tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)], capture_output=True).returncode == 0
    if not mounted:
        pytest.skip("no leave to mount a small disk here")
    try:
        with pytest.raises(RunError, match="No space left"):
            runner.run_study(yard / "study.yaml", disk / "out", progress=False)
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_folder_that_cannot_be_written_is_told(yard, tmp_path, monkeypatch):
    barred = tmp_path / "barred"
    barred.mkdir()
    if os.getuid() == 0:  # nothing is barred to the administrator: the system's own answer, given for it
        def refuse(*_: object, **__: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "mkdir", refuse)
    else:
        barred.chmod(0o500)
    with pytest.raises(RunError, match="Permission denied"):
        runner.run_study(yard / "study.yaml", barred / "out", progress=False)
    assert list(barred.iterdir()) == []


@pytest.mark.parametrize("sent", [signal.SIGHUP, signal.SIGINT])
def test_a_closed_terminal_or_an_interrupt_leaves_nothing(yard, sent):
    before = contents(yard)
    run = start(yard)
    until = time.monotonic() + 60
    while not list(yard.glob(".small-yard-*/notebooks")) and time.monotonic() < until:
        time.sleep(0.02)
    run.send_signal(sent)
    said = run.communicate(timeout=60)[1]
    assert run.returncode in (128 + sent, 130) and "Traceback" not in said
    assert contents(yard) == before
    assert list((yard / "t").iterdir()) == [] and alive(yard / "t") == []


def test_the_temporary_folder_is_tried_before_there_is_anything_to_interrupt(tmp_path, monkeypatch):
    """The first question for it writes a file there for a moment: an interrupt just then would leave it behind."""
    monkeypatch.setattr(tempfile, "tempdir", None)
    with place.written_whole(tmp_path / "out"):
        assert tempfile.tempdir is not None


def test_an_interrupt_just_when_kernels_get_their_place_leaves_nothing(yard, monkeypatch):
    def interrupted(_: object) -> None:
        assert list((yard / "t").iterdir())
        raise KeyboardInterrupt

    (yard / "t").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(yard / "t"))
    monkeypatch.setattr(runner.Progress, "__enter__", interrupted)
    before = contents(yard)
    with pytest.raises(KeyboardInterrupt):
        runner.run_study(yard / "study.yaml", progress=False)
    assert contents(yard) == before and list((yard / "t").iterdir()) == []


def test_a_log_that_changes_between_reading_and_keeping_cannot_part_windows_and_record(yard):
    """Windows, notebooks and fingerprint are of the copy that is kept."""
    out = yard / "small-yard"
    record = json.loads((out / "windows.json").read_text())["record"]
    assert place.kept_files(out / "inputs") == {out / "inputs" / n for n in (
        "kept.json", "study.yaml", "log-1/trials.csv")}
    assert hashlib.sha256((out / "inputs/log-1/trials.csv").read_bytes()).hexdigest() == record["log_sha256"]
    assert hashlib.sha256((out / "inputs/study.yaml").read_bytes()).hexdigest() == record["study_sha256"]
