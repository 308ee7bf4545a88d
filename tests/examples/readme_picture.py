"""Makes README's picture from a built report: ``python -m tests.examples.readme_picture REPORT.pdf PAGE PAGE …``."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

PICTURE = Path(__file__).resolve().parents[2] / "example_logs/report_pages.png"
DOTS_PER_INCH = 88
GAP = 24


def pages(pdf: Path, numbers: list[int]) -> list[Image.Image]:
    """Chosen pages of a PDF, by poppler."""
    out = []
    with tempfile.TemporaryDirectory() as folder:
        for number in numbers:
            target = Path(folder) / str(number)
            page = ["-f", str(number), "-l", str(number)]
            subprocess.run(
                ["pdftoppm", "-r", str(DOTS_PER_INCH), *page, "-singlefile", "-png", pdf, target], check=True
            )
            out.append(Image.open(f"{target}.png").convert("RGB"))
    return out


def side_by_side(images: list[Image.Image]) -> Image.Image:
    """Pages beside one another on grey, in few enough colours to be small."""
    width = sum(image.width for image in images) + GAP * (len(images) + 1)
    sheet = Image.new("RGB", (width, max(image.height for image in images) + 2 * GAP), "#c9ced2")
    x = GAP
    for image in images:
        sheet.paste(image, (x, GAP))
        x += image.width + GAP
    return sheet.quantize(160, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)


if __name__ == "__main__":
    picture = side_by_side(pages(Path(sys.argv[1]), [int(number) for number in sys.argv[2:]]))
    picture.save(PICTURE, optimize=True)
    print(f"{PICTURE.name}: {PICTURE.stat().st_size} bytes")
