"""Photos: what their metadata tell is said, and stays in the laboratory unless it is asked to travel."""

from __future__ import annotations

import io
import json
import zipfile

import numpy as np
import pikepdf
import pytest
from PIL import Image, ImageOps

from reportgen.errors import RecordError
from reportgen.pipeline import build_job, check_job
from reportgen.read.photo_metadata import Told, told_by, without_metadata
from reportgen.render.terminal import finding_lines
from reportgen.verification import verify_archive
from tests.soak.small_job import comma_log, job_of, write_job

OWNER = "A. Photographer of Quay Street 5"


def photo(kind: str, way_up: int = 1) -> bytes:
    """A small picture with a position, an owner and a comment, made by Pillow."""
    pixels = np.random.default_rng(1).integers(0, 255, (30, 40, 3), dtype="u1")
    picture = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[0x0112] = way_up
    exif[0x013B] = OWNER
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (53.0, 32.0, 7.0)
    stream = io.BytesIO()
    more = {"comment": OWNER.encode()} if kind == "JPEG" else {}
    picture.save(stream, kind, exif=exif, **more)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("way_up", [1, 6])
def test_metadata_are_told_and_taken_out_and_the_picture_is_the_same(kind, way_up):
    content = photo(kind, way_up)
    # Pillow writes no position into TIFF.
    assert told_by(content) == ((Told.OWNER,) if kind == "TIFF" else (Told.POSITION, Told.OWNER))
    bare = without_metadata(content)
    assert told_by(bare) == ()
    assert OWNER.encode() not in bare
    assert without_metadata(bare) == bare, "an archive would not verify"
    one, other = (ImageOps.exif_transpose(Image.open(io.BytesIO(each))).convert("RGB") for each in (content, bare))
    assert one.size == other.size
    assert one.tobytes() == other.tobytes()


@pytest.mark.parametrize(
    "content", [b"\xff\xd8", b"\xff\xd8\xff\xe1\x00", b"\x89PNG\r\n\x1a\n\0\0\0\x7fIHDR", b"", b"x"]
)
def test_a_damaged_photo_is_no_traceback(content):
    assert told_by(content) == ()
    with pytest.raises((RecordError, ValueError, OSError)):
        without_metadata(content)


def job_with_photo(tmp_path, setting: str = ""):
    job = write_job(job_of(comma_log()), tmp_path / "job")
    (job / "photos").mkdir()
    (job / "photos" / "set_up.jpg").write_bytes(photo("JPEG", 6))
    text = (job / "job.toml").read_text().replace("[report]", f"[report]\n{setting}", 1)
    (job / "job.toml").write_text(text + '\n[[photo]]\nfile = "photos/set_up.jpg"\ncaption = "set-up"\n')
    return job


def test_check_says_what_a_photo_tells(tmp_path):
    lines = finding_lines(check_job(job_with_photo(tmp_path)).findings)
    (line,) = [each for each in lines if "where it was taken" in each]
    assert "report and archive hold it without" in line
    kept = finding_lines(check_job(job_with_photo(tmp_path / "kept", 'photo_metadata = "keep"')).findings)
    assert any("leaves the laboratory with it" in each for each in kept)


def test_position_and_owner_stay_in_the_laboratory_and_the_archive_verifies(tmp_path):
    job = job_with_photo(tmp_path)
    original = (job / "photos" / "set_up.jpg").read_bytes()
    built = build_job(job)
    assert (job / "photos" / "set_up.jpg").read_bytes() == original
    (archive,) = built.folder.glob("*.zip")
    with zipfile.ZipFile(archive) as bag:
        (name,) = [each for each in bag.namelist() if each.endswith("set_up.jpg")]
        assert told_by(bag.read(name)) == ()
    with pikepdf.open(built.folder / "report.pdf") as pdf:
        assert told_by(pdf.attachments["job/photos/set_up.jpg"].get_file().read_bytes()) == ()
    for path in built.folder.rglob("*"):
        assert not path.is_file() or OWNER.encode() not in path.read_bytes()
    assert "originals stay with the laboratory" in (built.folder / "report.html").read_text()
    found = verify_archive(archive)
    assert found.exit_code == 0, found.said


@pytest.mark.soak
def test_photos_travel_whole_where_the_laboratory_says_so(tmp_path):
    built = build_job(job_with_photo(tmp_path, 'photo_metadata = "keep"'))
    with pikepdf.open(built.folder / "report.pdf") as pdf:
        kept = pdf.attachments["job/photos/set_up.jpg"].get_file().read_bytes()
    assert told_by(kept) == (Told.POSITION, Told.OWNER)
    assert "as the laboratory chose" in (built.folder / "report.html").read_text()
    assert json.loads((built.folder / "results.json").read_text())["inputs"]
