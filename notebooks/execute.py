"""Execute notebooks from top to bottom and save them with their outputs.

    python notebooks/execute.py                       # all notebooks here, saved in place
    python notebooks/execute.py seat_to_seat.ipynb    # one of them

They run in the folder of the first, one after the other in one kernel of the Python that runs this
script; it is emptied in between, for loading the libraries anew takes longer than most of them.
What tells of a machine or a time of day is left out of what is saved, pictures are kept small, with
the words in them as plain text beside, and running it twice gives the same file.
"""

from __future__ import annotations

import argparse
import asyncio
import base64
import io
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import nbformat
from jupyter_client import AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from nbclient import NotebookClient

HERE = Path(__file__).parent
EMPTIED = """
get_ipython().reset(new_session=True)
formatters = get_ipython().display_formatter.formatters
formatters["text/plain"] = formatters.pop("text/plain")  # the last, when a figure is drawn
from matplotlib import pyplot
from matplotlib.figure import Figure
from matplotlib.text import Text
def words(figure, Text=Text):
    found = [text.get_text() for text in figure.findobj(Text) if text.get_visible()]
    return "\\n".join(text for text in found if text.strip())
Figure.__repr__ = words
pyplot.close("all")
pyplot.uninstall_repl_displayhook()  # figures are drawn when shown, and need not be before
del pyplot, Figure, Text, words, formatters
"""
"""What runs before each notebook: nothing is left, and a figure's plain text is the words in it."""
COLOURS = 256  # of a saved picture: one byte for each point
SECONDS_FOR_A_CELL = 300


class OwnPython(KernelSpecManager):
    """Knows one kernel: the Python that runs this script, whatever else is installed."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        """Return how to start it, whatever its name."""
        command = [sys.executable, "-Xfrozen_modules=off", "-m", "ipykernel_launcher"]
        command += ["-f", "{connection_file}", "--HistoryManager.enabled=False"]
        return KernelSpec(argv=command, display_name="Python 3", language="python")


async def execute(path: Path, manager: AsyncKernelManager) -> nbformat.NotebookNode:
    """Execute the notebook at `path`, which stays as it is, and return it with fresh outputs.

    Raises
    ------
    nbclient.exceptions.CellExecutionError
        If a cell fails.
    """
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, km=manager, timeout=SECONDS_FOR_A_CELL, record_timing=False, allow_errors=False
    )
    async with client.async_setup_kernel():
        await client.kc.execute(EMPTIED, silent=True, reply=True)
        for number, cell in enumerate(notebook.cells):
            await client.async_execute_cell(cell, number)
    return tidied(notebook)


def tidied(notebook: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Leave out what differs from one machine or moment to the next, and make pictures small."""
    notebook.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    for number, cell in enumerate(notebook.cells, start=1):
        cell["id"] = f"cell-{number:02d}"
        cell["metadata"] = {}
        for output in cell.get("outputs", []):
            if "metadata" in output:
                output["metadata"] = {}
            data = output.get("data", {})
            if "image/png" in data:
                data["image/png"] = smaller(data["image/png"])
    return notebook


def smaller(picture: str) -> str:
    """Return a PNG picture (base64) with few colours, and nothing else in the file."""
    from PIL import Image

    with Image.open(io.BytesIO(base64.b64decode(picture))) as opened:
        few = opened.convert("RGB").quantize(
            COLOURS, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
        )
    stored = io.BytesIO()
    few.save(stored, "PNG", optimize=True)
    return base64.b64encode(stored.getvalue()).decode("ascii")


async def execute_all(paths: list[Path]) -> None:
    """Execute notebooks one after the other, and save each in place once all went well."""
    manager = AsyncKernelManager(kernel_spec_manager=OwnPython(), kernel_name="python3")
    await manager.start_kernel(cwd=str(paths[0].parent.resolve()), stderr=subprocess.DEVNULL)
    try:
        done = [await execute(path, manager) for path in paths]
    finally:
        await manager.shutdown_kernel(now=True)
    for path, notebook in zip(paths, done, strict=True):
        nbformat.validate(notebook)
        path.write_text(nbformat.writes(notebook, indent=1) + "\n", encoding="utf-8")
        print(f"{path.name}: {path.stat().st_size / 1024:.0f} KiB")


def main(words: list[str] | None = None) -> int:
    """Execute the notebooks that are named, or all of them."""
    parser = argparse.ArgumentParser(description="Execute notebooks and save their outputs.")
    parser.add_argument("notebooks", nargs="*", type=Path, help="all in this folder by default")
    chosen = parser.parse_args(words).notebooks or sorted(HERE.glob("*.ipynb"))
    with tempfile.TemporaryDirectory() as scratch:  # no profile, history or cache is left behind
        for name in ("IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR"):
            os.environ[name] = str(Path(scratch) / name.lower())
        os.environ["MPLBACKEND"] = "module://matplotlib_inline.backend_inline"
        os.environ["PYTHONHASHSEED"] = "0"
        asyncio.run(execute_all(chosen))
    return 0


if __name__ == "__main__":
    sys.exit(main())
