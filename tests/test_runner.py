"""Runs from end to end: all of it in one folder or nothing, what was there kept, no kernel left behind."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import nbformat
import pytest
import smallstudy

from edgefinish import results, runner
from edgefinish.errors import LogError, RunError, StudyError
from edgefinish.handedon import HANDED_ON, hand_on
from edgefinish.study import demo_folder

SLOW = "import time\ntime.sleep(60)"


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """One whole run of the small study; tests look, and leave it as it is."""
    folder = tmp_path_factory.mktemp("finished")
    return runner.run_study(smallstudy.write(folder), progress=False)


@pytest.fixture
def one_form(tmp_path, monkeypatch):
    """Let a run execute one notebook with the given code instead of the shipped four."""

    def use(*code: str) -> None:
        notebook = nbformat.v4.new_notebook(metadata=nbformat.read(
            demo_folder("notebooks") / "02-fit.ipynb", as_version=4).metadata)
        notebook.cells = [nbformat.v4.new_code_cell('study: str = ""  # path'),
                          *(nbformat.v4.new_code_cell(c) for c in code)]
        notebook.cells[0].metadata["tags"] = ["parameters"]
        (tmp_path / "forms").mkdir(exist_ok=True)
        nbformat.write(notebook, tmp_path / "forms" / "01-form.ipynb")
        monkeypatch.setattr(runner, "FORMS", ("01-form",))
        monkeypatch.setattr(runner, "demo_folder", lambda kind: tmp_path / "forms")

    return use


@pytest.fixture
def no_kernels(monkeypatch):
    """A run that starts a kernel fails the test."""

    def start(*_: object, **__: object) -> None:
        raise AssertionError("a kernel was about to start")

    monkeypatch.setattr(runner, "_Kernels", start)


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_run_leaves_what_the_contract_lists(finished):
    assert finished.name == "small-yard"
    assert names(finished) == ["inputs", "notebooks", "report.html", "setup-sheets", "windows.csv", "windows.json"]
    assert names(finished / "notebooks") == [f"{n}.ipynb" for n in runner.FORMS]
    assert names(finished.parent) == ["small-yard", "study.yaml", "trials.csv"]
    left = json.loads((finished / "windows.json").read_text())
    got = [w for w in left["windows"] if w["verdict"] == "window"]
    assert len(left["windows"]) == 4 and got
    kinds = [Path(n).suffix for n in names(finished / "setup-sheets")]
    assert kinds.count(".html") == kinds.count(".pdf") == len(got)


def test_every_cell_of_every_notebook_ran_without_a_word_of_error(finished):
    for path in (finished / "notebooks").iterdir():
        notebook = nbformat.read(path, as_version=4)
        nbformat.validate(notebook)
        code = [c for c in notebook.cells if c.cell_type == "code"]
        assert all(c.metadata.papermill.status == "completed" and c.execution_count for c in code)
        outputs = [o for c in code for o in c.outputs]
        assert outputs and not [o for o in outputs if o.output_type == "error" or o.get("name") == "stderr"]


def test_notebooks_find_what_the_run_has_worked_out(tmp_path, one_form):
    """A notebook that may neither fit nor check still has windows and checks."""
    one_form("import edgefinish.results as r, edgefinish.scrutiny as s\nr.answer = s._held_out = s._influence = None",
             "told = r.open_study(study)\nassert len(told.windows) == 4 and s.scrutinise(told).influence.sentence")
    assert runner.run_study(smallstudy.write(tmp_path), progress=False).is_dir()


def test_what_one_study_hands_on_is_not_taken_for_another(tmp_path, monkeypatch):
    """Neither one whose file says something else, nor one that lies elsewhere."""
    (tmp_path / "other").mkdir()
    paths = [smallstudy.write(tmp_path), smallstudy.write(tmp_path / "other")]
    told = replace(results.open_study(paths[0]), windows=())
    monkeypatch.setenv(HANDED_ON, hand_on(told, tmp_path / "handed"))
    assert results.open_study(paths[0]).windows == ()
    assert len(results.open_study(paths[1]).windows) == 4
    smallstudy.write(tmp_path, smallstudy.STUDY.replace("0.9]", "0.8]"))
    assert len(results.open_study(paths[0]).windows) == 4


def test_what_was_altered_since_it_was_handed_on_is_not_looked_at(tmp_path, monkeypatch):
    """A file of another digest is not unpickled: what stands in it would be run."""
    study, handed = smallstudy.write(tmp_path), tmp_path / "handed"
    monkeypatch.setenv(HANDED_ON, hand_on(replace(results.open_study(study), windows=()), handed))
    handed.write_bytes(b"cos\nabort\n(tR.")     # would end this very process
    assert len(results.open_study(study).windows) == 4
    handed.unlink()
    assert len(results.open_study(study).windows) == 4


def test_the_record_names_versions_seed_and_fingerprints_and_no_time(finished):
    record = json.loads((finished / "windows.json").read_text())["record"]
    assert {"edgefinish", "python", "numpy", "scipy", "pandas", "seed", "log_sha256", "study_sha256",
            "parameters"} <= set(record)
    assert len(record["log_sha256"]) == len(record["study_sha256"]) == 64
    assert str(finished.parent) not in json.dumps(record)


def test_a_second_run_gives_the_same_bytes_in_place_of_the_first(finished, tmp_path):
    before = {p.name: p.read_bytes() for p in finished.rglob("*") if p.is_file() and p.suffix != ".ipynb"}
    shutil.copytree(finished, tmp_path / "out")
    study = finished.parent / "study.yaml"
    (tmp_path / "out" / "report.html").write_text("old")
    assert runner.run_study(study, tmp_path / "out", workers=2, progress=False) == tmp_path / "out"
    after = {p.name: p.read_bytes() for p in (tmp_path / "out").rglob("*") if p.is_file() and p.suffix != ".ipynb"}
    assert after == before
    assert names(tmp_path) == ["out"]


def _plain_folder(out: Path) -> None:
    out.mkdir()
    (out / "letter.txt").write_text("mine")


def _other_json(out: Path) -> None:
    out.mkdir()
    (out / "windows.json").write_text('{"record": {"author": "somebody"}}')


def _file(out: Path) -> None:
    out.write_text("mine")


@pytest.mark.parametrize("put", [_plain_folder, _other_json, _file, Path.mkdir])
def test_what_no_run_made_is_refused_and_kept(tmp_path, no_kernels, put):
    study, out = smallstudy.write(tmp_path), tmp_path / "out"
    put(out)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(RunError, match="--out"):
        runner.run_study(study, out, progress=False)
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize("added", ["notes.txt", "setup-sheets/signed.jpg", "notebooks/own/a.ipynb"])
def test_a_finished_folder_with_work_of_somebody_in_it_is_refused(finished, tmp_path, no_kernels, added):
    shutil.copytree(finished, tmp_path / "out")
    (tmp_path / "out" / added).parent.mkdir(exist_ok=True)
    (tmp_path / "out" / added).write_text("mine")
    with pytest.raises(RunError, match=Path(added).name):
        runner.run_study(finished.parent / "study.yaml", tmp_path / "out", progress=False)
    assert (tmp_path / "out" / added).read_text() == "mine"


def test_a_link_in_place_of_the_folder_is_refused(finished, tmp_path, no_kernels):
    (tmp_path / "out").symlink_to(finished)
    with pytest.raises(RunError):
        runner.run_study(finished.parent / "study.yaml", tmp_path / "out", progress=False)


def test_bad_input_is_told_before_any_kernel_starts(tmp_path, no_kernels):
    study = smallstudy.write(tmp_path, smallstudy.STUDY.replace("units", "unnits"))
    with pytest.raises(StudyError, match="did you mean units"):
        runner.run_study(study, progress=False)
    study = smallstudy.write(tmp_path)
    smallstudy.trials().drop(columns="grit").to_csv(tmp_path / "trials.csv", index=False)
    with pytest.raises(LogError, match="grit"):
        runner.run_study(study, tmp_path / "new" / "deep" / "out", progress=False)
    assert names(tmp_path) == ["study.yaml", "trials.csv"]


@pytest.mark.parametrize("workers", [0, -1, True, 1.5])
def test_a_number_of_workers_that_cannot_be_is_refused(tmp_path, no_kernels, workers):
    with pytest.raises(RunError, match="workers"):
        runner.run_study(smallstudy.write(tmp_path), workers=workers)


def test_a_cell_that_fails_is_named_and_what_was_there_stays(finished, tmp_path, one_form):
    one_form("x = 1", "print(x)\nx / 0")
    shutil.copytree(finished, tmp_path / "out")
    before = (tmp_path / "out" / "windows.json").read_bytes()
    with pytest.raises(RunError) as caught:
        runner.run_study(finished.parent / "study.yaml", tmp_path / "out", progress=False)
    for word in ("01-form.ipynb", "ZeroDivisionError", "print(x)"):
        assert word in str(caught.value)
    assert (tmp_path / "out" / "windows.json").read_bytes() == before
    assert names(tmp_path) == ["forms", "out"]


def test_a_kernel_that_dies_is_an_error_that_leaves_nothing(tmp_path, one_form):
    one_form("import os\nos._exit(3)")
    with pytest.raises(RunError, match="01-form.ipynb"):
        runner.run_study(smallstudy.write(tmp_path), tmp_path / "a" / "b" / "out", progress=False)
    assert names(tmp_path) == ["forms", "study.yaml", "trials.csv"]


def test_a_full_disk_is_an_error_that_leaves_nothing(tmp_path, one_form, monkeypatch):
    one_form("x = 1")

    def full(_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(runner, "report_html", full)
    with pytest.raises(RunError, match="No space left"):
        runner.run_study(smallstudy.write(tmp_path), progress=False)
    assert names(tmp_path) == ["forms", "study.yaml", "trials.csv"]


def test_a_failure_at_the_last_move_puts_the_old_folder_back(finished, tmp_path, one_form, monkeypatch):
    one_form("x = 1")
    shutil.copytree(finished, tmp_path / "out")
    before = (tmp_path / "out" / "windows.json").read_bytes()
    move = os.rename

    def refuse(old: Path, new: Path) -> None:
        if Path(new).name == "out" and not Path(old).name.endswith("-old"):
            raise OSError(5, "Input/output error")
        move(old, new)

    monkeypatch.setattr(os, "rename", refuse)
    with pytest.raises(RunError, match="Input/output"):
        runner.run_study(finished.parent / "study.yaml", tmp_path / "out", progress=False)
    assert (tmp_path / "out" / "windows.json").read_bytes() == before
    assert names(tmp_path) == ["forms", "out"]


def test_kernels_are_of_this_very_interpreter(tmp_path, one_form, monkeypatch):
    """A kernel registered elsewhere as python3, the user's start-up file and profile take no part."""
    spec = tmp_path / "jupyter" / "kernels" / "python3"
    spec.mkdir(parents=True)
    (spec / "kernel.json").write_text(json.dumps(
        {"argv": ["/bin/false", "{connection_file}"], "display_name": "other", "language": "python"}))
    (tmp_path / "startup.py").write_text("raise SystemExit(1)")
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "jupyter"))
    monkeypatch.setenv("PYTHONSTARTUP", str(tmp_path / "startup.py"))
    one_form("import sys\nprint(sys.executable)")
    out = runner.run_study(smallstudy.write(tmp_path), progress=False)
    cells = nbformat.read(out / "notebooks" / "01-form.ipynb", as_version=4).cells
    assert cells[-1].outputs[0].text.strip() == sys.executable


def test_parameters_are_checked_by_name_and_type_against_the_annotated_cell():
    for name in runner.FORMS:
        form = demo_folder("notebooks") / f"{name}.ipynb"
        runner.check_parameters(form, {"study": "a.yaml"})
        with pytest.raises(RunError, match="did you mean study"):
            runner.check_parameters(form, {"stduy": "a.yaml"})
        with pytest.raises(RunError, match="wanted str"):
            runner.check_parameters(form, {"study": 2})
        with pytest.raises(RunError) as caught:
            runner.check_parameters(form, {'x = __import__("os").getcwd(); y': "1", "study": Path("a.yaml")})
        assert len(caught.value.problems) == 2


@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="no /proc to look for processes in")
@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
@pytest.mark.parametrize("when", ["at the start of the kernel", "in a cell"])
def test_an_interrupted_run_leaves_neither_files_nor_kernels(tmp_path, one_form, sent, code, when):
    one_form(SLOW)
    smallstudy.write(tmp_path)
    temporary = tmp_path / "t"
    temporary.mkdir()
    # A shell that starts the tests in the background has them ignore interrupts: the run is not to inherit that.
    program = ("import signal, sys\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"
               "from pathlib import Path\nfrom edgefinish import cli, runner\n"
               "runner.FORMS = ('01-form',)\nrunner.demo_folder = lambda kind: Path('forms')\n"
               "sys.exit(cli.main(['run', 'study.yaml', '--workers', '2']))")
    run = subprocess.Popen([sys.executable, "-c", program], cwd=tmp_path, stderr=subprocess.PIPE, text=True,
                           env={**os.environ, "TMPDIR": str(temporary)})
    until = time.monotonic() + 240
    while not smallstudy.running(f"{temporary}/ef-") and time.monotonic() < until and run.poll() is None:
        time.sleep(0.02)
    assert run.poll() is None, run.communicate()[1]
    if when == "in a cell":
        time.sleep(2)
    run.send_signal(sent)
    said = run.communicate(timeout=30)[1]
    assert run.returncode == code
    assert "Traceback" not in said
    assert smallstudy.running(str(temporary)) == []
    assert names(tmp_path) == ["forms", "study.yaml", "t", "trials.csv"]
    assert names(temporary) == []
