"""An archive that anybody may have made: nothing leaves its folder, nothing unpacks without end."""

from __future__ import annotations

import contextlib
import io
import os
import re
import stat
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import pikepdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reportgen.archive import bag
from reportgen.archive import open_archive as room
from reportgen.archive.manifest import safe_name
from reportgen.archive.open_archive import Trouble, open_archive
from reportgen.errors import ArchiveError
from reportgen.render.catalogue import said
from tests.archive.bags import LOG, archive_bytes, archive_files, job_files, small_pdf, small_zip, zip_of


def refused(path: Path) -> str:
    with pytest.raises(ArchiveError) as caught, open_archive(path):
        pytest.fail("was opened")
    return said(caught.value.said)


def troubles(path: Path) -> dict[str | None, Trouble]:
    with open_archive(path) as archive:
        return {problem.name: problem.trouble for problem in archive.problems}


def test_a_sound_archive_gives_its_job_folder(tmp_path):
    with open_archive(small_zip(tmp_path)) as archive:
        assert archive.problems == []
        assert archive.kind == "zip"
        for name, content in job_files().items():
            assert (archive.job_folder.parent / name).read_bytes() == content
        kept = archive.folder
    assert not kept.exists()


def test_a_sound_pdf_gives_its_job_folder(tmp_path):
    with open_archive(small_pdf(tmp_path)) as archive:
        assert archive.problems == []
        assert archive.kind == "pdf"
        assert (archive.job_folder / "logs" / "x_pre.csv").read_bytes() == LOG


def rewritten(tmp_path: Path, change) -> Path:
    """The sound archive with its entries changed and the zip written anew, but not sealed anew."""
    with zipfile.ZipFile(small_zip(tmp_path)) as source:
        entries = {name: source.read(name) for name in source.namelist()}
        comment = source.comment
    change(entries)
    path = zip_of(tmp_path / "rewritten.zip", entries)
    with zipfile.ZipFile(path, "a") as goal:
        goal.comment = comment
    return path


LOG_NAME = "VTR-0201-A/data/job/logs/x_pre.csv"


def test_altered_missing_and_extra_are_told_apart(tmp_path):
    def altered(entries):
        entries[LOG_NAME] = entries[LOG_NAME].replace(b"1.5", b"1.6", 1)

    def missing(entries):
        del entries[LOG_NAME]

    def extra(entries):
        entries["VTR-0201-A/data/job/logs/more.csv"] = b""

    for change, name, trouble in (
        (altered, "job/logs/x_pre.csv", Trouble.ALTERED),
        (missing, "job/logs/x_pre.csv", Trouble.MISSING),
        (extra, "job/logs/more.csv", Trouble.EXTRA),
    ):
        assert troubles(rewritten(tmp_path, change)) == {name: trouble, None: Trouble.ALTERED}


@pytest.mark.parametrize("name", ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"])
def test_tag_files_are_held_to_account_too(tmp_path, name):
    def altered(entries):
        entries[f"VTR-0201-A/{name}"] += b"0" * 64 + b"  x\n"

    assert Trouble.ALTERED in troubles(rewritten(tmp_path, altered)).values()
    removed = troubles(rewritten(tmp_path, lambda entries: entries.pop(f"VTR-0201-A/{name}")))
    assert removed[name] is Trouble.MISSING


@pytest.mark.parametrize(
    "name",
    [
        "../x",
        "a/../../x",
        "/etc/x",
        "a\\..\\x",
        "C:/x",
        "a//x",
        "a/./x",
        "a/",
        "a/x\n",
        "a/\u202ex",
        "x",
        "a/" + "n" * 2000,
    ],
)
def test_names_that_lead_elsewhere(tmp_path, name):
    path = zip_of(tmp_path / "a.zip", {"a/fine": b"", name: b""})
    assert re.search("not that of a file inside a folder|folders at its top", refused(path))


def test_links_duplicates_and_encryption(tmp_path):
    link = zipfile.ZipInfo("a/link")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    assert "a link" in refused(zip_of(tmp_path / "link.zip", [(link, b"/etc/passwd")]))
    with pytest.warns(UserWarning, match="Duplicate"):
        path = zip_of(tmp_path / "twice.zip", [("a/x", b"1"), ("a/x", b"2")])
    assert "is in it twice" in refused(path)
    locked = bytearray(zip_of(tmp_path / "plain.zip", {"a/x": b"1"}).read_bytes())
    locked[6] |= 1
    locked[locked.index(b"PK\x01\x02") + 8] |= 1
    (tmp_path / "locked.zip").write_bytes(locked)
    assert "encrypted" in refused(tmp_path / "locked.zip")


def test_a_file_that_is_also_a_folder(tmp_path):
    assert refused(zip_of(tmp_path / "a.zip", {"a/x": b"", "a/x/y": b""}))


def test_other_compression_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as goal:
        goal.writestr("a/x", b"1", zipfile.ZIP_LZMA)
    assert "method that no build uses" in refused(tmp_path / "a.zip")


def test_a_zip_bomb_is_refused_before_it_unpacks(tmp_path):
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as goal, goal.open("a/x", "w") as entry:
        for _ in range(1100):
            entry.write(bytes(1 << 20))
    assert "a zip bomb" in refused(tmp_path / "bomb.zip")


def test_a_zip_that_lies_about_its_size_is_stopped(tmp_path):
    whole = bytearray(zip_of(tmp_path / "a.zip", {"a/x": bytes(5_000_000)}).read_bytes())
    directory = whole.index(b"PK\x01\x02")
    struct.pack_into("<L", whole, directory + 24, 10)
    (tmp_path / "lie.zip").write_bytes(whole)
    assert troubles(tmp_path / "lie.zip")["x"] is Trouble.ALTERED


def zip64_of(path: Path, entries: dict[str, bytes]) -> Path:
    """With the 64-bit extra field in every local header, and in the directory once ``central64`` has been at it."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as goal:
        for name, content in entries.items():
            with goal.open(name, "w", force_zip64=True) as part:
                part.write(content)
    return path


def central64(path: Path, size: int) -> Path:
    """The first entry of the directory states its size as 64 bits (APPNOTE 6.3, 4.5.3): whatever is asked."""
    whole = path.read_bytes()
    at = whole.index(b"PK\x01\x02")
    name_length = struct.unpack_from("<H", whole, at + 28)[0]
    entry = bytearray(whole[at : at + 46 + name_length])
    struct.pack_into("<L", entry, 24, 0xFFFFFFFF)
    extra = struct.pack("<HHQ", 1, 8, size)
    struct.pack_into("<H", entry, 30, len(extra))
    rest = bytearray(whole[at + 46 + name_length :])
    end = rest.rindex(b"PK\x05\x06")
    struct.pack_into("<L", rest, end + 12, struct.unpack_from("<L", rest, end + 12)[0] + len(extra))
    path.write_bytes(whole[:at] + bytes(entry) + extra + bytes(rest))
    return path


def test_an_archive_repacked_with_64_bit_sizes_lacks_its_seal_alone(tmp_path):
    with zipfile.ZipFile(small_zip(tmp_path)) as sound:
        entries = {name: sound.read(name) for name in sound.namelist()}
    with open_archive(zip64_of(tmp_path / "64.zip", entries)) as archive:
        assert [problem.what.code for problem in archive.problems] == ["archive.no-seal"]


@pytest.mark.parametrize("size", [2**62, 2**63 + 5, 2**32 + 7, 10])
def test_64_bit_sizes_that_lie_are_refused_or_named(tmp_path, size):
    path = central64(zip64_of(tmp_path / "lie.zip", {"a/x": bytes(range(256)) * 4000}), size)
    with zipfile.ZipFile(path) as lying:
        assert lying.infolist()[0].file_size == size
    with contextlib.suppress(ArchiveError), open_archive(path) as archive:
        assert archive.problems


def test_entries_that_share_bytes_are_refused(tmp_path):
    """The overlapping kind of zip bomb: many names for one kernel of compressed bytes."""
    whole = bytearray(zip_of(tmp_path / "a.zip", {"a/x": bytes(100_000), "a/y": bytes(100_000)}).read_bytes())
    second = whole.index(b"PK\x01\x02", whole.index(b"PK\x01\x02") + 4)
    struct.pack_into("<L", whole, second + 42, 0)
    (tmp_path / "overlap.zip").write_bytes(whole)
    assert "overlap" in refused(tmp_path / "overlap.zip")


def test_too_many_files(tmp_path, monkeypatch):
    monkeypatch.setattr(room, "MAX_FILES", 3)
    assert "at most 3 are read" in refused(zip_of(tmp_path / "a.zip", {f"a/{n}": b"" for n in range(4)}))


@pytest.mark.parametrize("content", [b"", b"PK", b"not an archive", b"%PDF-1.7", b"%PDF-1.7\n%%EOF", os.urandom(5000)])
def test_what_is_no_archive_says_so(tmp_path, content):
    (tmp_path / "x").write_bytes(content)
    assert str(tmp_path / "x") in refused(tmp_path / "x")


def test_no_such_file_and_a_folder(tmp_path):
    assert "No such file" in refused(tmp_path / "nowhere.zip")
    assert "is not a file" in refused(tmp_path)


def test_an_archive_inside_an_archive_stays_packed(tmp_path):
    files = {**archive_files(tmp_path), "job/photos/inner.zip": archive_bytes(job_files())}
    path = tmp_path / "outer.zip"
    path.write_bytes(archive_bytes(files))
    with open_archive(path) as archive:
        assert archive.problems == []
        assert (archive.job_folder / "photos" / "inner.zip").is_file()


# PDF -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["logs/x_vorprüfung.csv", "logs/ход X.csv", "logs/e\u0301 'q\".csv"])
def test_names_beyond_ascii_are_read_from_a_pdf(tmp_path, name):
    with open_archive(small_pdf(tmp_path, **{f"job/{name}": b"5,1\n"})) as archive:
        assert archive.problems == []
        assert (archive.job_folder / name).read_bytes() == b"5,1\n"


def test_pdf_attachments_altered_missing_and_extra(tmp_path):
    path = small_pdf(tmp_path)
    with pikepdf.open(path) as pdf:
        pdf.attachments["job/job.toml"].obj.EF.F.write(b"other")
        del pdf.attachments["job/notes.txt"]
        pdf.attachments["job/more.csv"] = pikepdf.AttachedFileSpec(pdf, b"more", filename="job/more.csv")
        pdf.save(tmp_path / "changed.pdf")
    assert troubles(tmp_path / "changed.pdf") == {
        "job/job.toml": Trouble.ALTERED,
        "job/notes.txt": Trouble.MISSING,
        "job/more.csv": Trouble.EXTRA,
    }


def test_a_pdf_without_sources(tmp_path):
    pdf = pikepdf.new()
    pdf.add_blank_page()
    pdf.save(tmp_path / "plain.pdf")
    assert "carries no sources" in refused(tmp_path / "plain.pdf")


def test_an_encrypted_pdf(tmp_path):
    with pikepdf.open(small_pdf(tmp_path)) as pdf:
        pdf.save(tmp_path / "locked.pdf", encryption=pikepdf.Encryption(owner="o", user=""))
        pdf.save(tmp_path / "shut.pdf", encryption=pikepdf.Encryption(owner="o", user="u"))
    assert "encrypted" in refused(tmp_path / "locked.pdf")
    assert "password" in refused(tmp_path / "shut.pdf")


@pytest.mark.parametrize("name", ["../x", "/etc/x", "a\\x"])
def test_attachment_names_that_lead_elsewhere(tmp_path, name):
    assert "not that of a file inside a folder" in refused(small_pdf(tmp_path, **{name: b""}))


def test_an_attachment_packed_twice_over_is_not_unpacked(tmp_path):
    """Filters in a chain multiply: 1000 × 1000."""
    with pikepdf.open(small_pdf(tmp_path)) as pdf:
        stream = pdf.attachments["job/notes.txt"].obj.EF.F
        bomb = zlib.compress(zlib.compress(bytes(50_000_000)))
        stream.write(bomb, filter=pikepdf.Array([pikepdf.Name.FlateDecode, pikepdf.Name.FlateDecode]))
        pdf.save(tmp_path / "bomb.pdf", stream_decode_level=pikepdf.StreamDecodeLevel.none)
    assert troubles(tmp_path / "bomb.pdf")["job/notes.txt"] is Trouble.ALTERED


def test_an_attachment_that_unpacks_without_end(tmp_path, monkeypatch):
    monkeypatch.setattr(bag, "_ALWAYS_ALLOWED", 1 << 20)
    with pikepdf.open(small_pdf(tmp_path)) as pdf:
        stream = pdf.attachments["job/notes.txt"].obj.EF.F
        stream.write(zlib.compress(bytes(50_000_000)), filter=pikepdf.Name.FlateDecode)
        pdf.save(tmp_path / "bomb.pdf", stream_decode_level=pikepdf.StreamDecodeLevel.none)
    assert troubles(tmp_path / "bomb.pdf")["job/notes.txt"] is Trouble.ALTERED


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=30))
def test_a_safe_name_never_leaves_the_folder(name):
    """Against what the operating system makes of it."""
    if safe_name(name):
        assert os.path.realpath(os.path.join("/folder", name)).startswith("/folder/")  # noqa: PTH118
        assert Path(name).parts == tuple(name.split("/"))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, 20_000), put=st.binary(max_size=40), length=st.integers(0, 60), pdf=st.booleans())
def test_damage_of_any_kind_is_a_finding(tmp_path_factory, cut, put, length, pdf):
    """A stretch of the file replaced by anything: refused, or listed as a problem (pages of a PDF apart)."""
    whole = _sound(tmp_path_factory, pdf)
    at = cut % len(whole)
    damaged = whole[:at] + put + whole[at + length :]
    path = tmp_path_factory.getbasetemp() / "damaged"
    path.write_bytes(damaged)
    with contextlib.suppress(ArchiveError), open_archive(path) as archive:
        assert archive.problems or damaged == whole or pdf


_SOUND: dict[bool, bytes] = {}


def _sound(factory, pdf: bool) -> bytes:
    if pdf not in _SOUND:
        folder = factory.mktemp("sound")
        _SOUND[pdf] = (small_pdf(folder) if pdf else small_zip(folder)).read_bytes()
    return _SOUND[pdf]


def test_opening_touches_nothing_outside_its_temporary_folder(tmp_path):
    """Every file that is opened while a hostile zip is refused and a sound one is read."""
    script = (
        "import sys\nfrom pathlib import Path\n"
        "from reportgen.archive import open_archive as room\nfrom reportgen.errors import ArchiveError\n"
        "room.bounded = lambda work, *given: work(*given)\n"  # here, where every opening is seen
        "opened = []\n"
        "sys.addaudithook(lambda e, a: opened.append((str(a[0]), str(a[1]))) if e == 'open' else None)\n"
        "for name in sys.argv[1:]:\n"
        "    try:\n"
        "        with room.open_archive(Path(name)) as archive: list(archive.found)\n"
        "    except ArchiveError: pass\n"
        "print('\\n'.join(name for name, mode in opened if any(c in mode for c in 'wxa+')))\n"
    )
    hostile = zip_of(tmp_path / "a.zip", {"a/fine": b"", "../../escaped": b"x"})
    sound = small_zip(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", script, str(hostile), str(sound)], capture_output=True, text=True, check=True
    )
    written = done.stdout.split()
    assert written
    assert all("/reportgen-" in name for name in written), written
    assert not list(tmp_path.parent.glob("**/escaped"))


def test_the_seal_finds_what_no_checksum_covers(tmp_path):
    sound = small_zip(tmp_path).read_bytes()
    header_time = sound.index(b"PK\x03\x04") + 10
    for damaged in (
        sound[:header_time] + b"\x01" + sound[header_time + 1 :],
        sound + b"\n",
        b"\n" + sound,
        sound[:-1] + (b"0" if sound[-1:] != b"0" else b"1"),
    ):
        (tmp_path / "d.zip").write_bytes(damaged)
        assert troubles(tmp_path / "d.zip") == {None: Trouble.ALTERED}
    assert zipfile.ZipFile(io.BytesIO(sound)).testzip() is None
