"""The shipped notebooks, their parameters, and the kernel in which papermill runs them one after the other."""

from __future__ import annotations

import asyncio
import difflib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from towerlib import months
from towerlib.errors import SettingsError, TowerlibError, sentence

if TYPE_CHECKING:
    import pandas as pd

NOTEBOOKS = ("1-condition", "2-performance", "3-plan")
OURS = ("line", "month", "records_folder", "reports_folder")  # set by the run itself
TIME_OUT_S = 1800  # of one cell; a notebook of 5,000 towers takes far less
ENGINE = "towerlib-one-kernel"
FORGET = (
    "ip = get_ipython(); ip.run_line_magic('reset', '-f')"  # the next notebook finds no names of this one
)
NO_HISTORY = "--HistoryManager.enabled=False"  # nothing of a run belongs into the user's own history
COUNT_ANEW = "get_ipython().execution_count = 1"


def notebook(name: str) -> Path:
    """Path of a shipped notebook such as ``"1-condition"``, in the installed package, or beside it in a checkout."""
    package = Path(str(files("towerlib")))
    shipped = package / "notebooks" / f"{name}.ipynb"
    return shipped if shipped.exists() else package.parent / "notebooks" / f"{name}.ipynb"


def typed(parameters: dict[str, str]) -> dict[str, dict[str, Any]]:
    """Parameters in the types that the notebooks declare, by notebook.

    `SettingsError` for a parameter that no notebook knows, that the run itself sets, or that is of another type.
    """
    if not parameters:
        return {}
    import papermill

    declared = {name: papermill.inspect_notebook(notebook(name)) for name in NOTEBOOKS}
    known = {key for keys in declared.values() for key in keys} - set(OURS)
    for key in parameters:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(known))}"
            raise SettingsError(f"{key!r} is no parameter that a run may set; {hint}")
    return {
        name: {
            key: _typed(key, parameters[key], keys[key]["inferred_type_name"])
            for key in parameters
            if key in keys
        }
        for name, keys in declared.items()
    }


def _typed(key: str, text: str, kind: str) -> Any:
    """One parameter in its declared type: text stays text, so that 007 does not become 7."""
    kinds = {"int": int, "float": float, "str": str}
    try:
        return kinds.get(kind, str)(text)
    except ValueError:
        raise SettingsError(f"parameter {key} = {text!r} must be of type {kind}") from None


@contextmanager
def in_a_sentence() -> Iterator[None]:
    """Whatever stops a run becomes one `TowerlibError` in a sentence, which the other lines of a portfolio survive."""
    try:
        yield
    except TowerlibError:
        raise
    except Exception as flaw:
        raise TowerlibError(sentence(flaw)) from flaw


@contextmanager
def kernel(folder: Path, day: pd.Timestamp | None = None) -> Iterator[Any]:
    """A kernel for several notebooks, shut down at the end: what one has read and assessed, the next need not do again.

    `folder` is their working directory; `day` replaces the clock's day in them, so that they read the same rows as the
    run, also past midnight; today when missing. `TowerlibError` where Python has no kernel for notebooks.
    """
    from jupyter_client import AsyncKernelManager
    from jupyter_client.kernelspec import NoSuchKernel
    from jupyter_core.utils import run_sync

    with tempfile.TemporaryDirectory(prefix="towerlib-") as sockets:
        # sockets in a folder of their own: ports of TCP are now and then taken by another run at the same moment
        manager = AsyncKernelManager(kernel_name="python3", transport="ipc", ip=f"{sockets}/kernel")
        env = {**_environment(), months.TODAY: f"{day or months.today():%Y-%m-%d}"}
        try:
            run_sync(manager.start_kernel)(cwd=str(folder), env=env, extra_arguments=[NO_HISTORY])
        except NoSuchKernel:
            raise TowerlibError("notebooks cannot run: install the package ipykernel") from None
        try:
            yield manager
        except (KeyboardInterrupt, SystemExit):
            run_sync(_abandon)()
            raise
        finally:
            run_sync(manager.shutdown_kernel)(now=True)


async def _abandon() -> None:
    """End what still waits for an answer of the kernel, so that nothing complains of it after the end."""
    waiting = asyncio.all_tasks() - {asyncio.current_task()}
    for task in waiting:
        task.cancel()
    await asyncio.gather(*waiting, return_exceptions=True)


def _environment() -> dict[str, str]:
    """Environment of the kernel: it works in another folder and must import this very package."""
    # matrices here are small: threads of the linear algebra cost more than they bring
    environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}
    home = Path(str(files("towerlib"))).resolve().parent
    if home.name not in ("site-packages", "dist-packages"):  # those the kernel finds by itself
        paths = [str(home), environment.get("PYTHONPATH", "")]
        environment["PYTHONPATH"] = os.pathsep.join(path for path in paths if path)
    return environment


def execute(name: str, folder: Path, parameters: dict[str, Any], manager: Any) -> None:
    """One notebook such as ``"1-condition"`` through papermill into `folder`, in the kernel `manager`.

    `TowerlibError` where a cell stopped (the message names it), took too long, or the kernel died.
    """
    import papermill
    from nbclient.exceptions import CellTimeoutError

    _register()
    try:
        papermill.execute_notebook(
            notebook(name),
            folder / f"{name}.ipynb",
            parameters=parameters,
            engine_name=ENGINE,
            progress_bar=False,
            execution_timeout=TIME_OUT_S,
            km=manager,
        )
    except papermill.PapermillExecutionError as flaw:
        raise TowerlibError(
            f"notebook {name} stopped in cell {flaw.cell_index}: {flaw.ename}: {flaw.evalue}"
        ) from None
    except CellTimeoutError:
        raise TowerlibError(f"notebook {name} stopped: a cell took more than {TIME_OUT_S} s") from None
    except RuntimeError as flaw:  # that of a kernel that is dead or does not answer
        raise TowerlibError(
            f"notebook {name} stopped: {str(flaw).rstrip('.')}; "
            "was the memory full, or was the process ended from outside?"
        ) from flaw


def _register() -> None:
    """Make the engine known to papermill, where heavy imports are due anyway."""
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import Engine, papermill_engines

    class OneKernel(Engine):
        """Runs a notebook in a kernel that is there already, and leaves it there."""

        @classmethod
        def execute_managed_notebook(cls, nb_man, kernel_name, km=None, **settings):
            client = PapermillNotebookClient(
                nb_man, km=km, kernel_name=kernel_name, timeout=settings["execution_timeout"]
            )
            try:
                done = client.execute()
                for last in (FORGET, COUNT_ANEW):
                    client.wait_for_reply(client.kc.execute(last, silent=True, store_history=False))
                return done
            finally:
                if client.kc is not None:
                    client.kc.stop_channels()

    papermill_engines.register(ENGINE, OneKernel)
