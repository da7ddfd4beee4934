"""Makes the README's picture from a run of the demo; needs chromium: `.venv/bin/python docs/pictures/make.py`."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
WIDTH, HEIGHT = 1120, 860


def main() -> None:
    """Run the demo and photograph the top of its page."""
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "demo"
        subprocess.run(
            [sys.executable, "-m", "conformance.commands.main", "demo", "--out", str(out)], check=True
        )
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
            page.goto((out / "story.html").as_uri())
            page.screenshot(path=HERE / "demo.png")
            browser.close()


if __name__ == "__main__":
    main()
