"""Photos: decoded and written anew, upright, without metadata, refused where they could hurt."""

from __future__ import annotations

import io

from PIL import Image

from reportgen.errors import RenderError
from reportgen.records.job import Photo
from reportgen.render import photos
from reportgen.render.photos import picture, reencode
from tests.archive.words import telling


def test_metadata_goes_and_the_picture_stands_upright(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # orientation: rotate 90° to view (Exif 2.3, tag 274)
    exif[0x010F] = "secret maker"
    Image.new("RGB", (400, 200), "#336699").save(tmp_path / "a.jpg", exif=exif)
    content, size = reencode(tmp_path / "a.jpg")
    assert size == (200, 400)
    with Image.open(io.BytesIO(content)) as again:
        assert not again.getexif()
        assert again.format == "JPEG"
    assert b"secret maker" not in content


def test_a_large_picture_is_scaled_down(tmp_path):
    Image.new("RGB", (4000, 1000)).save(tmp_path / "a.png")
    assert reencode(tmp_path / "a.png")[1] == (1600, 400)


def test_too_many_pixels_are_refused(tmp_path, monkeypatch):
    Image.new("1", (600, 600)).save(tmp_path / "a.png")
    monkeypatch.setattr(photos, "LARGEST_PIXELS", 100_000)
    with telling(RenderError, match="600 × 600 pixels, more than 0.1 million"):
        reencode(tmp_path / "a.png")


def test_what_is_no_picture_is_an_error_with_its_place(report, tmp_path):
    job = report.job
    (job.folder / "photos" / "not.jpg").write_bytes(b"<svg onload=x>")
    with telling(RenderError, match=r"job\.toml: photo photos/not\.jpg"):
        picture(job, Photo(file="photos/not.jpg", caption="x"), "photo-1")
