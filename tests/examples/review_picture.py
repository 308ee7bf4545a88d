"""Makes README's picture of the review, of the controller box: ``python -m tests.examples.review_picture``."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from tests.examples.readme_picture import PICTURE
from tests.render.test_browser import CHROMIUM, FLAGS
from tests.review.test_page import box, served

REVIEW_PICTURE = PICTURE.with_name("review_page.png")
SIZE = {"width": 1280, "height": 800}


def reject(page: Page) -> None:
    """The board's second resonance along Z, about to be rejected."""
    page.wait_for_selector("#figure .plot-bar")
    page.select_option("#run", "Z-PRE")
    page.select_option("#channel", "A2")
    page.locator("#figure:not([aria-busy]) figure[id='fig-Z-PRE-A2'] .plot-bar").wait_for()
    page.fill("#decider", "M. Adler")
    page.locator("#figure svg").focus()
    for key in ("Home", "PageDown", "PageDown", "r"):
        page.keyboard.press(key)
    page.keyboard.type("belongs to the lid, not to the board")


def picture(address: str) -> Image.Image:
    """The page as it stands then."""
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = chromium.new_page(viewport=SIZE)
        page.goto(address)
        reject(page)
        shown = page.screenshot()
        chromium.close()
    return Image.open(io.BytesIO(shown)).convert("RGB")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, served(box(Path(folder) / "box")) as address:
        few = picture(address).quantize(64, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    few.save(REVIEW_PICTURE, optimize=True)
    print(f"{REVIEW_PICTURE.name}: {REVIEW_PICTURE.stat().st_size} bytes")
