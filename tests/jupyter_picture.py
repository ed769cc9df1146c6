"""A notebook of the pack run in JupyterLab, as a headless Chromium shows it: a picture for the README."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

HOME = Path(__file__).resolve().parent.parent
NOTEBOOK = "02_losses.ipynb"
WIDTH, HEIGHT = 1280, 900  # px
START, RUN = 120, 300  # seconds at most, on a busy machine
# The kernel answers before cells are sent to it.
RUN_ALL = """async () => {
  const app = window.jupyterapp, open = app.shell.currentWidget;
  await open.context.ready;
  await open.sessionContext.ready;
  app.commands.execute('notebook:run-all-cells');
}"""
# Neither news nor tips over the notebook.
QUIET = {
    "@jupyterlab/apputils-extension:notification": {
        "fetchNews": "false",
        "checkForUpdates": False,
        "doNotDisturbMode": True,
    }
}


@contextlib.contextmanager
def server(folder: Path) -> Iterator[str]:
    """JupyterLab on this machine alone, its files and settings in a folder of its own; gives its address."""
    config = folder / "config"
    (config / "labconfig").mkdir(parents=True)
    (config / "labconfig" / "default_setting_overrides.json").write_text(json.dumps(QUIET), encoding="utf-8")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    places = ("CONFIG", "DATA", "RUNTIME")
    environment = os.environ | {f"JUPYTER_{name}_DIR": str(folder / name.lower()) for name in places}
    environment |= {"IPYTHONDIR": str(folder / "ipython"), "PYTHONPATH": str(HOME)}
    command = [sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root", "--expose-app-in-browser"]
    command += ["--ip=127.0.0.1", f"--port={port}", "--IdentityProvider.token=", "--ServerApp.password="]
    command += [f"--ServerApp.root_dir={folder / 'work'}"]
    with (folder / "log.txt").open("w") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    try:
        address, until = f"http://127.0.0.1:{port}", time.monotonic() + START
        while True:
            with contextlib.suppress(urllib.error.URLError):
                urllib.request.urlopen(f"{address}/api", timeout=5)
                break
            if time.monotonic() > until or process.poll() is not None:
                raise RuntimeError(f"JupyterLab did not start:\n{(folder / 'log.txt').read_text()[-2000:]}")
            time.sleep(0.5)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=30)


def take(chromium: str, target: Path) -> None:
    """Open a notebook of the pack on the demo's records, run all its cells, and take a picture of it."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        notebooks = folder / "work" / "notebooks"
        notebooks.mkdir(parents=True)
        shutil.copy(HOME / "notebooks" / NOTEBOOK, notebooks)
        (folder / "work" / "data_demo").symlink_to(HOME / "data_demo", target_is_directory=True)
        address = stack.enter_context(server(folder))
        browser = stack.enter_context(sync_playwright()).chromium.launch(
            executable_path=chromium, args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        page.goto(f"{address}/lab/tree/notebooks/{NOTEBOOK}", timeout=1000 * START)
        page.wait_for_selector(".jp-Notebook .jp-CodeCell", timeout=1000 * START)
        page.evaluate(RUN_ALL)
        page.wait_for_selector(".jp-OutputArea figure img", timeout=1000 * RUN)
        page.evaluate("window.jupyterapp.commands.execute('application:toggle-left-area')")
        page.evaluate("document.querySelector('.jp-OutputArea .verdict').closest('.jp-Cell').scrollIntoView()")
        page.wait_for_timeout(1500)
        page.screenshot(path=str(target))
        browser.close()
