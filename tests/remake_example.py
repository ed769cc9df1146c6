"""Make reports/example/ again from data_demo: brief and one client's page as PDF, and the pictures of the README.

    python -m tests.remake_example [FOLDER]

FOLDER holds reviews of the demo that are made already (`plantstats review data_demo --out FOLDER`, and the same with
`--client C0005`); without it they are made. Pictures need Chromium and LibreOffice; where one is missing, its pictures
stay as they are, and that is said.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from plantstats import quarterly
from tests import jupyter_picture

HOME = Path(__file__).resolve().parent.parent
EXAMPLE = HOME / "reports" / "example"
QUARTER, CLIENT = "2026-Q3", "C0005"
PDFS = {"brief.pdf": (QUARTER, "index.pdf"), "client.pdf": (f"{QUARTER}--{CLIENT}", "client.pdf")}
WIDTH = 1280  # px
COLOURS = 64


def make(folder: Path) -> None:
    """Make the two reviews of the demo, where they do not stand and are not out of date."""
    for client in (None, CLIENT):
        quarterly.review(HOME / "data_demo", QUARTER, client, None, folder)


def picture(page: Path, target: Path, height: int) -> None:
    """A page as a browser shows it, in few colours."""
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    if chromium is None:
        print(f"no Chromium: {target.name} stays as it is", file=sys.stderr)
        return
    with tempfile.TemporaryDirectory() as name:
        shot = Path(name) / "shot.png"
        command = [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
        command += [f"--window-size={WIDTH},{height}", f"--screenshot={shot}", page.as_uri()]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        small(shot, target)


def sheet(workbook: Path, target: Path) -> None:
    """The first printed sheet of a workbook."""
    if shutil.which("soffice") is None or shutil.which("pdftoppm") is None:
        print(f"no LibreOffice or pdftoppm: {target.name} stays as it is", file=sys.stderr)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        command = ["soffice", "--headless", f"-env:UserInstallation={(folder / 'profile').as_uri()}"]
        command += ["--convert-to", "pdf", "--outdir", name, str(workbook)]
        subprocess.run(command, check=True, capture_output=True, timeout=300)
        pdf = folder / f"{workbook.stem}.pdf"
        command = ["pdftoppm", "-png", "-r", "80", "-f", "1", "-l", "1", "-singlefile", str(pdf), str(folder / "sheet")]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        small(folder / "sheet.png", target)


def notebook(target: Path) -> None:
    """A notebook of the pack in JupyterLab, run there."""
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    if chromium is None:
        print(f"no Chromium: {target.name} stays as it is", file=sys.stderr)
        return
    with tempfile.TemporaryDirectory() as name:
        shot = Path(name) / "shot.png"
        jupyter_picture.take(chromium, shot)
        small(shot, target)


def small(source: Path, target: Path) -> None:
    """Write a picture in few colours."""
    with Image.open(source) as image:
        content = io.BytesIO()
        image.convert("RGB").quantize(COLOURS).save(content, "png", optimize=True)
    target.write_bytes(content.getvalue())


def main(folder: Path) -> None:
    """Put PDFs and pictures of the reviews in a folder into reports/example/."""
    EXAMPLE.mkdir(parents=True, exist_ok=True)
    for name, (review, file) in PDFS.items():
        shutil.copy(folder / review / file, EXAMPLE / name)
    picture(folder / QUARTER / "index.html", EXAMPLE / "brief.png", 1150)
    picture(folder / f"{QUARTER}--{CLIENT}" / "client.html", EXAMPLE / "client.png", 1150)
    sheet(folder / QUARTER / "care_sheet.xlsx", EXAMPLE / "care_sheet.png")
    notebook(EXAMPLE / "notebook.png")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]).resolve())
    else:
        with tempfile.TemporaryDirectory() as name:
            make(Path(name))
            main(Path(name))
