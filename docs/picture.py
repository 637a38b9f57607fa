"""What README.md shows: an alert, and a picture of the board, made anew by a rehearsal.

``python docs/picture.py`` (with the extra ``test``, where Chromium is installed) rehearses in a
folder that it removes again, writes ``docs/board.png``, and puts the first alert into README.md.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import ViewportSize, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
PICTURE = ROOT / "docs" / "board.png"
#: The alert stands in README.md between this line and the end of the block after it.
MARK = "<!-- alert: docs/picture.py -->"
#: Wide as on a desk, and high enough for the days of the first site. [px]
SIZE: ViewportSize = {"width": 1180, "height": 1130}
#: Colours of the picture: flat areas and letters, so few are enough.
COLOURS = 128


def first_alert(shown: str) -> str:
    """The first notice that a rehearsal shows, in its frame."""
    found = re.search(r"^╭─ 1\. .*?^╰─+╯$", shown, re.DOTALL | re.MULTILINE)
    if found is None:
        raise SystemExit(f"the rehearsal told nothing:\n{shown}")
    return found.group()


def put_into_readme(alert: str) -> None:
    """Put an alert in the place of the one that README.md has."""
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    block = re.compile(re.escape(MARK) + r"\n```text\n.*?```", re.DOTALL)
    if not block.search(text):
        raise SystemExit(f"README.md has no block after {MARK}")
    readme.write_text(block.sub(f"{MARK}\n```text\n{alert}\n```", text), encoding="utf-8")


def windowwatch(*words: str) -> list[str]:
    """A command of ours."""
    return [sys.executable, "-m", "windowwatch", *words]


def shot_of_the_board(environment: dict[str, str]) -> bytes:
    """The board of the last rehearsal, as a browser shows it: a PNG."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("Chromium is not installed")
    page = subprocess.Popen(
        windowwatch("page", "--rehearsal", "--port", "0"),
        cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert page.stdout is not None
        said = next(line for line in page.stdout if "The page is at" in line)
        address = said.split()[4]
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=chromium, args=["--headless", "--no-sandbox"]
            )
            visit = browser.new_page(viewport=SIZE)
            visit.goto(address)
            shot = visit.screenshot()
            browser.close()
    finally:
        page.terminate()
        page.wait(60)
    return shot


def main() -> None:
    """Rehearse, then write both."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "XDG_DATA_HOME": folder, "COLUMNS": "80",
                       "PYTHONUNBUFFERED": "1"}  # fmt: skip
        shown = subprocess.run(
            windowwatch("rehearse"), cwd=ROOT, env=environment, check=True,
            stdout=subprocess.PIPE, text=True,
        ).stdout  # fmt: skip
        put_into_readme(first_alert(shown))
        picture = Image.open(BytesIO(shot_of_the_board(environment))).convert("RGB")
    picture.quantize(COLOURS, dither=Image.Dither.NONE).save(PICTURE, optimize=True)
    print(f"{PICTURE.relative_to(ROOT)}: {PICTURE.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
