"""A study from end to end into one folder, whole or not at all; the only room that knows papermill."""

from __future__ import annotations

import asyncio
import logging
import os
import re
import shutil
import sys
import tempfile
import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

import nbformat
import papermill
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import CellExecutionError
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, NotebookExecutionManager, papermill_engines
from papermill.exceptions import PapermillExecutionError

from .errors import Problem, RunError, nearest
from .handedon import HANDED_ON, hand_on
from .inputs import keep
from .kept import INPUTS, STUDY
from .place import check_target, kernel_home, written_whole
from .progress import Progress
from .report import report_html, windows_csv, windows_json
from .results import Results, answer, one_thread
from .scrutiny import scrutinise
from .setupsheet import sheet_html, sheet_name, sheet_pdf
from .study import demo_folder, read_study

FORMS = ("01-check-the-log", "02-fit", "03-windows", "04-sheets-and-report")
# From the folder of executed notebooks, so that they run again where they lie.
PARAMETERS: Mapping[str, str] = {"study": f"../{INPUTS}/{STUDY}"}
TYPES: Mapping[str, type] = {"str": str, "int": int, "float": float, "bool": bool}
# How long the run's own steps take against a quick cell of a notebook, which finds most worked out.
ANSWER_TAKES, CHECKS_TAKE, PAGES_TAKE = 50, 100, 200
START_TIMEOUT_S = 120
LOOK_S = 0.2
# Small matrices in batches gain nothing from threads, and notebooks at a time would fight over the cores.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
# Sockets in a folder have a path limit of about 100 characters; longer ones go over the loopback.
LONGEST_SOCKET_PATH = 80
# What goes wrong in a kernel is raised; the client's own log would say it again in its own words.
_SILENT = logging.Logger("kernels", logging.CRITICAL + 1)


def run_study(path: str | Path, out: str | Path | None = None, workers: int = 1, progress: bool = True) -> Path:
    """Run a study as `finish_study` does; returns the folder."""
    return finish_study(path, out, workers, progress)[1]


def finish_study(path: str | Path, out: str | Path | None = None, workers: int = 1,
                 progress: bool = True) -> tuple[Results, Path]:
    """Run a study and put windows, report, setup sheets and executed notebooks into one folder.

    The folder is `out`, or the study's name beside its file. It is written beside its place and moved there when all
    of it is done; one that an earlier run made is replaced whole. Returns the results and the folder.

    Raises `StudyError`, `LogError` or `JobError` for bad input, before any kernel starts, and `RunError` where the
    folder is not ours to replace, or a notebook fails.
    """
    if isinstance(workers, bool) or not isinstance(workers, int) or workers < 1:
        raise RunError(Problem(None, "workers", str(workers), "a whole number from 1"))
    study = read_study(path)
    target = Path(out).expanduser().absolute() if out is not None else study.path.parent / study.name
    check_target(target)
    forms = [demo_folder("notebooks") / f"{name}.ipynb" for name in FORMS]
    for form in forms:
        check_parameters(form, PARAMETERS)
    with one_thread(), written_whole(target) as folder:
        # Everything is read from the copy: what is kept is what was used, by the pages as by every notebook.
        study = keep(study, folder / INPUTS)
        log = study.read_log()
        study.jobs(log)
        (folder / "notebooks").mkdir()
        with _Kernels(forms, workers, progress, kernel_home(folder)) as kernels:
            kernels.progress.doing("fit and windows")
            results = answer(study, log)
            kernels.progress.done(ANSWER_TAKES)
            kernels.progress.doing("checks of the fit")
            scrutinise(results).questions()
            kernels.progress.done(CHECKS_TAKE)
            kernels.progress.doing("report and setup sheets")
            _write_pages(results, folder)
            kernels.progress.done(PAGES_TAKE)
            kernels.progress.doing("notebooks")
            kernels.run(results, PARAMETERS, folder / "notebooks")
    return results, target


def check_parameters(form: Path, parameters: Mapping[str, Any]) -> None:
    """Names and types of parameters against the annotated parameters cell of a notebook.

    Raises `RunError` with every unknown name and every value of another type.
    """
    known = papermill.inspect_notebook(str(form))
    bad = []
    for name, value in parameters.items():
        if name not in known:
            bad.append(Problem(None, name, name, "a parameter of the notebook", nearest(name, tuple(known))))
        elif type(value) is not (wanted := TYPES.get(known[name]["inferred_type_name"])):
            bad.append(Problem(None, name, repr(value), wanted.__name__ if wanted else "an annotated parameter"))
    if bad:
        raise RunError(bad, form.name)


def _write_pages(results: Results, folder: Path) -> None:
    """Windows, report and one setup sheet for each window."""
    (folder / "windows.csv").write_text(windows_csv(results), encoding="utf-8", newline="")
    (folder / "windows.json").write_text(windows_json(results), encoding="utf-8", newline="")
    (folder / "report.html").write_text(report_html(results), encoding="utf-8", newline="")
    sheets = folder / "setup-sheets"
    sheets.mkdir()
    for window in results.windows:
        if window.verdict != "window":
            continue
        stem = free = re.sub(r"[^\w.+-]+", "-", sheet_name(window, results.study.units)).strip(".-")[:120] or "sheet"
        number = 2
        while (sheets / f"{free}.html").exists():
            free, number = f"{stem}-{number}", number + 1
        (sheets / f"{free}.html").write_text(sheet_html(results, window), encoding="utf-8", newline="")
        (sheets / f"{free}.pdf").write_bytes(sheet_pdf(results, window))


class _KernelManager(AsyncKernelManager):
    """Kernels of the interpreter that runs this, whatever is registered elsewhere under the same name.

    A module that lies where the command is given is not taken for one of ours.
    """

    @property
    def kernel_spec(self) -> KernelSpec:
        return KernelSpec(argv=[sys.executable, "-P", "-m", "ipykernel_launcher", "-f", "{connection_file}",
                                "--IPKernelApp.ignore_cwd=True"],
                          display_name="Python 3", language="python")


class _Engine(NBClientEngine):
    """Papermill's own way of execution, with our kernels and no trace of the user's IPython profile."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: NotebookExecutionManager, kernel_name: str, *,
                                 kernels: _Kernels, **_: Any) -> None:
        home = tempfile.mkdtemp(dir=kernels.home)
        manager = _KernelManager(kernel_name=kernel_name, connection_file=str(Path(home, "k.json")))
        if os.name == "posix" and len(home) < LONGEST_SOCKET_PATH:
            manager.transport = "ipc"
            manager.ip = str(Path(home, "k"))
        manager.client_class = "jupyter_client.asynchronous.AsyncKernelClient"
        client = PapermillNotebookClient(
            nb_man, km=manager, kernel_name=kernel_name, log=_SILENT, startup_timeout=START_TIMEOUT_S,
            timeout=None, on_cell_start=kernels.before_cell, on_cell_complete=kernels.after_cell)
        environment = {**ONE_THREAD, **os.environ, "IPYTHONDIR": home, "TMPDIR": home,
                       HANDED_ON: kernels.handed_on}
        environment.pop("PYTHONSTARTUP", None)
        kernels.running.append(manager)
        client.reset_execution_trackers()
        asyncio.run(cls._cells(client, manager, env=environment, cwd=str(kernels.folder)))

    @staticmethod
    async def _cells(client: PapermillNotebookClient, manager: AsyncKernelManager, **start: Any) -> None:
        """Every cell in turn, in an event loop that ends with the notebook; a failing cell is the last."""
        try:
            await client.async_start_new_kernel(**start)
            await client.async_start_new_kernel_client()
            for index, cell in enumerate(client.nb.cells):
                client.nb_man.cell_start(cell, index)
                try:
                    await client.async_execute_cell(cell, index)
                except CellExecutionError as error:
                    client.nb_man.cell_exception(cell, cell_index=index, exception=error)
                    return
                client.nb_man.cell_complete(cell, cell_index=index)
        finally:
            if client.kc is not None:
                client.kc.stop_channels()
            await manager.shutdown_kernel(now=True)


papermill_engines.register("edgefinish", _Engine)


def _takes(cell: nbformat.NotebookNode) -> float:
    """How long a cell takes against a quick one, as the notebook's own metadata say."""
    return float(cell.metadata.get("takes", 1))


class _Kernels:
    """Executes notebooks in kernels, some at a time, with one bar for all; leaves no kernel behind."""

    def __init__(self, forms: Sequence[Path], workers: int, progress: bool, home: Path) -> None:
        sources = [nbformat.read(form, as_version=4) for form in forms]
        self.forms = tuple(forms)
        self.home = home
        self.handed_on = ""
        self.running: list[AsyncKernelManager] = []
        self.stopped = threading.Event()
        self.pool = ThreadPoolExecutor(workers, thread_name_prefix="notebook")
        # Each notebook gets one cell more: the parameters that are put in.
        cells = len(forms) + sum(_takes(c) for s in sources for c in s.cells if c.cell_type == "code")
        self.progress = Progress(cells + ANSWER_TAKES + CHECKS_TAKE + PAGES_TAKE, progress)

    def __enter__(self) -> _Kernels:
        self.home.mkdir(mode=0o700)
        self.progress.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.stopped.set()
        for manager in self.running:
            process = getattr(manager.provisioner, "process", None)
            if process is not None and process.poll() is None:
                process.kill()
        self.pool.shutdown(wait=True, cancel_futures=True)
        self.progress.__exit__(None, None, None)
        shutil.rmtree(self.home, ignore_errors=True)

    def run(self, results: Results, parameters: Mapping[str, Any], folder: Path) -> None:
        """Execute every notebook, the results at hand; the first failure stops the rest."""
        self.folder = folder
        self.handed_on = hand_on(results, self.home / "answered")
        open_ = {self.pool.submit(self._execute, form, dict(parameters), folder / form.name) for form in self.forms}
        while open_:  # a while at a time: an interrupt at the wrong moment does not wake who waits without end
            done, open_ = wait(open_, LOOK_S, FIRST_EXCEPTION)
            for future in done:
                future.result()

    def before_cell(self, **_: Any) -> None:
        """Let no further cell start once the run has been stopped."""
        if self.stopped.is_set():
            raise RunError(Problem(None, None, "a stopped run", "a run that goes on"))

    def after_cell(self, cell: nbformat.NotebookNode, **_: Any) -> None:
        """One step further."""
        self.progress.done(_takes(cell))

    def _execute(self, form: Path, parameters: dict[str, Any], written: Path) -> None:
        self.before_cell()
        try:
            notebook = papermill.execute_notebook(
                str(form), None, parameters, engine_name="edgefinish", kernel_name="python3", language="python",
                progress_bar=False, autosave_cell_every=0, kernels=self)
        except PapermillExecutionError as error:
            first = (error.source.strip().splitlines() or [""])[0]
            raise RunError(Problem(None, None, f"{error.ename}: {error.evalue}", "a cell that runs",
                                   f"cell {error.exec_count}, '{first}'"), form.name) from None
        except RuntimeError as error:
            raise RunError(Problem(None, None, str(error).splitlines()[0], "a kernel that runs to the end",
                                   "check memory and the installation"), form.name) from None
        self.before_cell()
        left = [c for c in notebook.cells if c.metadata.get("papermill", {}).get("status") != "completed"]
        if left:
            raise RunError(Problem(None, None, f"{len(left)} cells not run", "every cell run"), form.name)
        notebook.metadata.papermill.update(input_path=form.name, output_path=written.name)
        nbformat.write(notebook, written)


