"""Nobody is tricked: no file outside the job folder is read, nothing unpacks or grows without end, text stays text."""

from __future__ import annotations

import io
import json
import os
import re
import socket
import struct
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from reportgen.cli import main
from reportgen.errors import RenderError
from reportgen.pipeline import check_job
from reportgen.records.finding import Severity
from reportgen.render.terminal import finding_line
from tests.archive.words import telling
from tests.soak.checker import check_within
from tests.soak.small_job import JOB_FILE, comma_log, hdf5_log, job_of, sheet_log, write_job

SECRET = "The harbour master's secret, 5 Hz"
ROOT = Path(__file__).resolve().parents[2]


def errors(folder: Path) -> list[str]:
    return [finding_line(each) for each in check_job(folder).findings if each.severity is Severity.ERROR]


@pytest.fixture
def job(tmp_path):
    """A sound job beside a file that is not its own."""
    (tmp_path / "secret.csv").write_text(SECRET)
    return write_job(job_of(comma_log()), tmp_path / "job")


def name_log(job: Path, named: str) -> None:
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("logs/x.csv", named))


# Paths -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "named",
    ["../secret.csv", "logs/../../secret.csv", "{folder}/secret.csv", "..\\\\secret.csv", "logs/./../../secret.csv"],
)
def test_a_log_outside_the_job_folder_is_refused(job, tmp_path, named):
    name_log(job, named.format(folder=tmp_path))
    found = errors(job)
    assert any("out of the job folder" in each for each in found), found
    assert not any(SECRET[:10] in each for each in found)


@pytest.mark.parametrize("where", ["file", "folder", "chain"])
def test_a_link_out_of_the_job_folder_is_refused(job, tmp_path, where):
    if where == "file":
        (job / "logs" / "x.csv").unlink()
        (job / "logs" / "x.csv").symlink_to(tmp_path / "secret.csv")
    elif where == "folder":
        (tmp_path / "elsewhere").mkdir()
        (job / "logs" / "x.csv").rename(tmp_path / "elsewhere" / "x.csv")
        (job / "logs").rmdir()
        (job / "logs").symlink_to(tmp_path / "elsewhere")
    else:
        (job / "logs" / "x.csv").unlink()
        (job / "logs" / "x.csv").symlink_to("y.csv")
        (job / "logs" / "y.csv").symlink_to(tmp_path / "secret.csv")
    assert any("out of the job folder" in each for each in errors(job))


@pytest.mark.parametrize("name", ["notes.txt", "job.toml"])
def test_notes_and_job_file_may_not_be_links_out_either(job, tmp_path, name):
    (tmp_path / name).write_bytes((job / name).read_bytes())
    (job / name).unlink()
    (job / name).symlink_to(tmp_path / name)
    assert any("out of the job folder" in each for each in errors(job))


def test_a_photo_outside_the_job_folder_is_refused(job, tmp_path):
    (tmp_path / "secret.png").write_bytes(png(4, 4))
    with (job / "job.toml").open("a") as stream:
        stream.write('\n[[photo]]\nfile = "../secret.png"\ncaption = "set-up"\n')
    assert any("out of the job folder" in each for each in errors(job))


@pytest.mark.parametrize("name", ["a\\nb.csv", "a\\u202evsc.csv", "a\\u2028.csv", "x" * 600])
def test_a_name_that_no_archive_can_keep(job, name):
    """It could be built, and the archive of it could never be opened again."""
    name_log(job, f"logs/{name}")
    assert any("an archive cannot keep it" in each for each in errors(job))


def test_a_link_that_turns_in_a_circle(job):
    (job / "logs" / "x.csv").unlink()
    (job / "logs" / "x.csv").symlink_to("x.csv")
    assert errors(job)


@pytest.mark.parametrize("kind", ["pipe", "socket", "folder", "device"])
def test_what_is_no_file_is_refused_and_never_waited_for(job, kind, monkeypatch):
    log = job / "logs" / "x.csv"
    log.unlink()
    if kind == "pipe":
        os.mkfifo(log)
    elif kind == "folder":
        log.mkdir()
    elif kind == "socket":
        monkeypatch.chdir(job)
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind("logs/x.csv")
    else:
        log.symlink_to("/dev/zero")
    assert errors(job)


@pytest.mark.parametrize("kind", ["pipe", "folder", "broken link"])
def test_notes_that_are_no_file_are_an_error_not_passed_over(job, kind):
    """What stands at the name of the notes and cannot be read was left out without a word."""
    notes = job / "notes.txt"
    notes.unlink()
    if kind == "pipe":
        os.mkfifo(notes)
    elif kind == "folder":
        notes.mkdir()
    else:
        notes.symlink_to("gone.txt")
    assert any("notes.txt" in each for each in errors(job))


@pytest.mark.parametrize("how", ["external link", "external storage", "virtual"])
def test_an_hdf5_record_that_points_out_of_the_job_folder(tmp_path, how):
    """HDF5 can take its samples from other files; then another file's bytes would stand in the report."""
    import h5py
    import numpy as np

    job = write_job(job_of(hdf5_log()), tmp_path / "job")
    secret = tmp_path / "secret.h5"
    with h5py.File(secret, "w") as other:
        other.create_dataset("data", data=np.sin(np.arange(8000) / 9.0))
    (tmp_path / "secret.raw").write_bytes(np.sin(np.arange(8000) / 9.0).tobytes())
    with h5py.File(job / "logs" / "x.h5", "a") as file:
        del file["run/response"]
        if how == "external link":
            file["run/response"] = h5py.ExternalLink(str(secret), "data")
        elif how == "external storage":
            outside = [(str(tmp_path / "secret.raw"), 0, h5py.h5f.UNLIMITED)]
            file.create_dataset("run/response", (8000,), dtype="f8", external=outside)
        else:
            layout = h5py.VirtualLayout((8000,), dtype="f8")
            layout[:] = h5py.VirtualSource(str(secret), "data", (8000,))
            file.create_virtual_dataset("run/response", layout)
        if how != "external link":
            file["run/response"].attrs["sample_rate"] = 2000.0
    assert errors(job)


def test_nothing_outside_the_job_folder_is_opened(job, tmp_path):
    """Every file that is opened while a job with hostile words is checked; no name is looked up in a network."""
    hostile = "deviation: <img src='file:///etc/hostname'> {{ ''.__class__ }} \\\\input{/etc/hostname} http://example.com/x.png\n"
    (job / "notes.txt").write_text(hostile)
    script = (
        "import sys\nfrom pathlib import Path\nfrom reportgen.pipeline import check_job\nopened = []\n"
        "def watch(event, args):\n"
        "    if event == 'open' and isinstance(args[0], str): opened.append(args[0])\n"
        "    if event.startswith(('socket.', 'subprocess.', 'os.system')): opened.append('NETWORK ' + event)\n"
        "check_job(Path(sys.argv[1]))\n"
        "sys.addaudithook(watch)\ncheck_job(Path(sys.argv[1]))\nprint('\\n'.join(opened))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(job)], capture_output=True, text=True, check=True, cwd=ROOT
    )
    own = (str(job), str(ROOT), sys.prefix, sys.base_prefix)
    strays = [name for name in done.stdout.split("\n") if name and not name.startswith(own)]
    assert strays == []


# Size ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module", autouse=True)
def _end_of_checker():
    yield
    check_within.end()


def log_job(tmp_path: Path, content: bytes, name: str = "x.csv") -> Path:
    return write_job(job_of((name, content, "")), tmp_path / "job")


def test_a_log_of_a_million_columns(tmp_path):
    head = ",".join(f"A{n} [g]" for n in range(1_000_000))
    job = log_job(tmp_path, f"frequency [Hz],C1 [g],{head}\n".encode() + b"5,1" + b",1" * 1_000_000 + b"\n")
    assert check_within(job)


def test_a_line_without_end(tmp_path):
    assert check_within(log_job(tmp_path, b"frequency [Hz],C1 [g],A1 [g]\n" + b"5" * 50_000_000))


def test_an_empty_log_and_one_of_nothing_but_zeros(tmp_path):
    assert check_within(log_job(tmp_path, b""))
    assert check_within(log_job(tmp_path, bytes(20_000_000)))


def test_many_short_lines(tmp_path):
    assert check_within(log_job(tmp_path, b"\n" * 30_000_000))


def test_a_job_file_without_end(tmp_path):
    job = log_job(tmp_path, b"")
    (job / "job.toml").write_text(JOB_FILE + "# " + "x" * 5_000_000)
    assert check_within(job)


NESTED = {
    "lists": "a = " + "[" * 20_000,
    "tables": "a = " + "{a=" * 20_000,
    "dots": ".".join("a" * 5000) + " = 1",
    "long key": '"' + "k" * 100_000 + '" = 1',
    "headings": "[" + ".".join("a" * 20_000) + "]",
}


@pytest.mark.parametrize("words", NESTED.values(), ids=NESTED)
def test_a_job_file_nested_without_end(tmp_path, words):
    job = log_job(tmp_path, b"")
    (job / "job.toml").write_text(words + "\n" + JOB_FILE)
    assert check_within(job)


def test_notes_without_end(tmp_path):
    job = log_job(tmp_path, comma_log()[1])
    (job / "notes.txt").write_bytes(b"x" * 21_000_000)
    assert check_within(job)


def test_a_note_of_one_endless_line_is_still_a_note(tmp_path):
    job = log_job(tmp_path, comma_log()[1])
    (job / "notes.txt").write_text("312 Hz: 2 nodes " + "very " * 200_000)
    assert check_within(job, seconds=60) == []


def test_a_pattern_that_turns_back_without_end(tmp_path):
    """Words made to keep a careless pattern busy for years."""
    job = log_job(tmp_path, comma_log()[1])
    lines = [
        "1" * 5000,
        "1 " * 5000 + "Hz",
        "nodes at " + "1 mm, " * 2000 + "x",
        " " * 50_000 + "x",
        "- " * 20_000,
        "1e" * 5000,
    ]
    (job / "notes.txt").write_text("\n".join(lines))
    assert check_within(job, seconds=60) == []


@pytest.mark.parametrize("filling", [" ", "(", "[", "1", "a ", pytest.param("/ ", marks=pytest.mark.soak), "_"])
def test_header_cells_of_twenty_thousand_characters(tmp_path, filling):
    """Patterns for names and units that try each blank anew took minutes over one cell."""
    cell = "A1" + filling * (20_000 // len(filling)) + "x"
    head = f"time [s],frequency [Hz],C1 [g],{cell}\n{cell},Hz,g,{cell}\n"
    rows = "".join(f"{n},{5 + n},1,2\n" for n in range(50))
    check_within(log_job(tmp_path, (head + rows).encode()), seconds=20)


# Numbers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sound, hostile, words",
    [
        ("started = 2026-03-12T09:14:00", "started = 0001-01-01T00:00:00+23:59", "lies outside the years 1900 to 2199"),
        ("started = 2026-03-12T09:14:00", "started = 9999-12-31T23:59:59", "lies outside the years 1900 to 2199"),
        ("date = 2026-03-20", "date = 9999-12-31", "lies outside the years 1900 to 2199"),
        ("due = 2027-01-10", 'due = "0001-01-01"', "lies outside the years 1900 to 2199"),
        ("date = 2026-03-20", "date = 2026-03-20\nconfidence = 0.9999999999999999", "is not a coverage"),
        ('axis = "X"', 'axis = "X"\ntracking_filter = "1e-300 Hz"', "narrower than a filter that follows a sweep"),
        ('axis = "X"', 'axis = "X"\ntracking_filter = "1e-300 %"', "narrower than a filter that follows a sweep"),
    ],
)
def test_numbers_with_which_nothing_can_be_computed(job, sound, hostile, words):
    """Each was once a traceback, or could have been: finite for the format, without end for the mathematics."""
    text = (job / "job.toml").read_text()
    assert sound in text
    (job / "job.toml").write_text(text.replace(sound, hostile, 1))
    (found,) = errors(job)
    assert words in found


@pytest.mark.parametrize("frequency", ["1e308", "1e200", "1e-308", "inf"])
def test_rows_with_an_impossible_frequency_are_left_out_and_said(job, frequency):
    from reportgen.pipeline import compute_report, read_inputs

    lines = comma_log()[1].decode().split("\n")
    for row in range(5, len(lines) - 1, 7):
        time, _, rest = lines[row].split(",", 2)
        lines[row] = f"{time},{frequency},{rest}"
    (job / "logs" / "x.csv").write_text("\n".join(lines))
    assert compute_report(read_inputs(job)).runs
    assert any("logs/x.csv" in str(each.where) for each in check_job(job).findings)


@pytest.mark.parametrize("digits", ["9" * 6000, "0x" + "f" * 6000, "9" * 30, "-" + "1_" * 3000 + "1"])
@pytest.mark.parametrize(
    "where",
    [
        "{} = 1",
        "[report]\nx = {}",
        "number = {}",
        "confidence = {}",
        "date = {}",
        "[[run]]\nnotch = [{}]",
        "revision = {}",
    ],
)
def test_a_number_of_thousands_of_digits_is_a_finding(job, digits, where):
    """Python reads no whole number of more than 4300 digits and prints none."""
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("[report]", f"[report]\n{where.format(digits)}", 1))
    assert errors(job)


@pytest.mark.parametrize(
    "quantity", ["9" * 6000, "9" * 6000 + " mm", "1e" + "9" * 6000 + " g", "0." + "1" * 6000 + " Hz"]
)
def test_a_quantity_of_thousands_of_digits_is_no_traceback(job, quantity):
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace('axis = "X"', f'axis = "X"\ntracking_filter = "{quantity}"', 1))
    errors(job)
    (job / "job.toml").write_text(text)
    for words in (
        "{} Hz: 2 nodes",
        "312 Hz: {} nodes",
        "strobe {} Hz, appears at {} Hz",
        "1 node at {} L",
        "level -{} dB",
    ):
        (job / "notes.txt").write_text(words.format(quantity, quantity) + f"\n{quantity}:{quantity} X-1\n")
        errors(job)
    (job / "logs" / "x.csv").write_text(f"time [s],frequency [Hz],C1 [g]\n{quantity},{quantity},1\n" * 9)
    errors(job)


@pytest.mark.parametrize("revision", ["Z" * 5000, "A" + "9" * 5000])
def test_a_revision_without_end_is_a_finding(job, revision):
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("[report]", f'[report]\nrevision = "{revision}"', 1))
    assert any("a revision has at most 40" in each for each in errors(job))


# Spreadsheets ------------------------------------------------------------------------------------------------------


def resheeted(change) -> bytes:
    """The small sheet log with its sheet's XML changed."""
    source = zipfile.ZipFile(io.BytesIO(sheet_log()[1]))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as goal:
        for name in source.namelist():
            content = source.read(name)
            goal.writestr(name, change(content) if name.endswith("sheet1.xml") else content)
    return stream.getvalue()


def test_xml_entities_are_not_unfolded(tmp_path):
    """The billion laughs, and an entity that names a file."""
    laughs = b"<!DOCTYPE x [<!ENTITY a 'ha'>" + b"".join(
        b"<!ENTITY %c '%s'>" % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(9)
    )

    def change(xml: bytes) -> bytes:
        head = laughs + b"<!ENTITY f SYSTEM 'file:///etc/hostname'>]>"
        return head + xml.replace(b"<v>20</v>", b"<v>&j;&f;</v>", 1)

    found = check_within(log_job(tmp_path, resheeted(change), "x.xlsx"))
    hostname = Path("/etc/hostname").read_text().strip() if Path("/etc/hostname").exists() else "-"
    assert not any("hahahaha" in each or (len(hostname) > 3 and hostname in each) for each in found)


def test_a_cell_at_the_far_corner_of_the_sheet(tmp_path):
    """One cell at XFD1048576 makes a sheet of 17 billion cells."""
    row = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    assert check_within(log_job(tmp_path, resheeted(lambda xml: xml.replace(b"</sheetData>", row)), "x.xlsx"))


def test_a_sheet_that_unpacks_without_end(tmp_path):
    """600 MB of blanks in less than a megabyte."""
    job = log_job(tmp_path, sheet_log()[1], "x.xlsx")
    packed = zipfile.ZipFile(job / "logs" / "x.xlsx", "a", zipfile.ZIP_DEFLATED)
    with packed as goal, goal.open("xl/comments1.xml", "w") as part:
        for _ in range(600):
            part.write(b" " * 1_000_000)
    assert (job / "logs" / "x.xlsx").stat().st_size < 1_000_000
    assert check_within(job)


def test_notes_in_a_sheet_are_held_to_the_same_limits(tmp_path):
    job = log_job(tmp_path, comma_log()[1])
    (job / "notes.txt").unlink()
    row = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    (job / "notes.xlsx").write_bytes(resheeted(lambda xml: xml.replace(b"</sheetData>", row)))
    assert check_within(job)


def test_a_formula_is_text(tmp_path):
    """A formula's stored value is read, as in a printed sheet; the formula itself never runs and is never printed."""
    xml = b'<c r="A2"><f>HYPERLINK("http://example.com")</f><v>20</v></c>'
    content = resheeted(lambda sheet: sheet.replace(b'<c r="A2" t="n"><v>0</v></c>', xml, 1))
    assert not any("example.com" in each for each in check_within(log_job(tmp_path, content, "x.xlsx")))


# Records ---------------------------------------------------------------------------------------------------------


def test_a_wave_file_that_promises_more_than_it_holds(tmp_path):
    head = (
        b"RIFF" + struct.pack("<I", 0xFFFFFFF0) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 2, 48000, 192000, 4, 16)
    )
    content = head + b"data" + struct.pack("<I", 0xFFFFFF00) + bytes(4000)
    check_within(write_job(job_of(("x.wav", content, '[run.columns]\n"C1" = "channel 1 / (1 g)"\n')), tmp_path / "job"))


def test_an_hdf5_record_that_is_all_promise(tmp_path):
    """A data set of 8 TB of which nothing was ever written, and one that unpacks a thousandfold."""
    import h5py

    job = write_job(job_of(hdf5_log()), tmp_path / "job")
    with h5py.File(job / "logs" / "x.h5", "w") as file:
        for name in ("control", "response"):
            data = file.create_dataset(f"run/{name}", (10**12,), dtype="f8", chunks=(1 << 20,), compression="gzip")
            data.attrs["sample_rate"] = 2000.0
    check_within(job, seconds=60)


@pytest.mark.soak
def test_a_mat_record_that_unpacks_without_end(tmp_path):
    from scipy.io import savemat

    stream = io.BytesIO()
    import numpy as np

    savemat(stream, {"c1": np.zeros(100_000_000, dtype="u1"), "fs": 2000.0}, do_compression=True)
    job = write_job(job_of(("x.mat", stream.getvalue(), '[run.columns]\n"C1" = "c1 / g"\n')), tmp_path / "job")
    check_within(job)


# Photos ----------------------------------------------------------------------------------------------------------


def zeros(count: int) -> Iterator[bytes]:
    """So many bytes of nothing, packed (RFC 1950, RFC 1951): one block again and again, so that it takes no time."""
    packer = zlib.compressobj(9, wbits=-zlib.MAX_WBITS)
    size = 1_000_000
    block = packer.compress(bytes(size)) + packer.flush(zlib.Z_FULL_FLUSH)
    yield b"\x78\xda"
    yield block * (count // size)
    yield packer.compress(bytes(count % size)) + packer.flush()
    yield struct.pack(">HH", count % 65521, 1)  # Adler-32 of zeros: their count and 1


def png(width: int, height: int) -> bytes:
    """A black picture of that size; its rows compress to almost nothing."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    rows = b"".join(zeros(height * (1 + (width + 7) // 8)))
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "content",
    [
        png(60_000, 60_000),
        b"\x89PNG\r\n\x1a\n" + b"\x00" * 50,
        b"<svg xmlns='http://www.w3.org/2000/svg'><image href='file:///etc/hostname'/></svg>",
        b"",
        b"GIF89a" + bytes(100),
    ],
    ids=["60000 x 60000", "broken", "svg", "empty", "gif"],
)
def test_a_picture_that_is_none_or_too_large(job, content):
    from reportgen.judge.checks import CHECKS
    from reportgen.read.job.job_file import read_job
    from reportgen.render.photos import picture

    (job / "photos").mkdir()
    (job / "photos" / "set-up.png").write_bytes(content)
    with (job / "job.toml").open("a") as stream:
        stream.write('\n[[photo]]\nfile = "photos/set-up.png"\ncaption = "set-up"\n')
    read, _ = read_job(job, CHECKS)
    assert read is not None
    with telling(RenderError, r"job\.toml:\d+: photo photos/set-up\.png: .*use a JPEG or PNG picture"):
        picture(read, read.photos[0], "photo1")


# The terminal ----------------------------------------------------------------------------------------------------


def test_notes_and_names_steer_no_terminal(job, capsys):
    """Escape sequences could clear the screen above a failed verdict, or write a passed one over it."""
    hostile = "deviation: \x1b[2J\x1b[1;1HR1: pass \x9b31m \u202edekcart\u2066\x07\n"
    (job / "notes.txt").write_text(hostile, encoding="utf-8")
    assert main(["check", str(job)]) == 0
    printed = capsys.readouterr()
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", printed.out + printed.err)
    assert "\\x1b[2J" in printed.out


@pytest.mark.parametrize("end", ["\n", "\r", "\x0b", "\x0c", "\x1c", "\x85", "\u2028", "\u2029"])
def test_nothing_that_is_printed_begins_a_line_of_its_own(job, capsys, end):
    """Channels, files, runs, notes and titles that would say 'R1: pass' at the start of a line."""
    forged = f"{end}R1: pass{end}job: 0 errors"
    text = (job / "job.toml").read_text()
    written = json.dumps("X" + forged, ensure_ascii=True)
    (job / "job.toml").write_text(text.replace("[report]", f"[report]\nstandard = {written}\n{written} = 1", 1))
    (job / "notes.txt").write_text(f"deviation: A {forged}\n", encoding="utf-8", newline="")
    log = (job / "logs" / "x.csv").read_text()
    (job / "logs" / "x.csv").write_text(log.replace("A1 [g]", f'"A1{forged} [g]"', 1), encoding="utf-8", newline="")
    for command in (["check", str(job)], ["build", str(job)], ["inspect", str(job / "logs" / "x.csv")]):
        main(command)
        printed = capsys.readouterr()
        lines = (printed.out + printed.err).splitlines()
        assert not any(line.strip().startswith(("R1: pass", "job: 0")) for line in lines), lines


def test_a_name_in_a_certificate_begins_no_line_of_its_own(capsys):
    import sys

    from reportgen.archive.sign import SignatureCheck
    from reportgen.terminal import printable

    check = SignatureCheck(
        field="S\nreport.pdf: everything is as it was reported",
        signer="Common Name: A\r\nreport.pdf: everything is as it was reported\u2028\x1b[2K",
        fingerprint="",
        when="",
        intact=True,
        covers_all=True,
        trusted=False,
        self_signed=True,
    )
    print(printable(check, sys.stdout))
    assert len(capsys.readouterr().out.splitlines()) == 1


def test_a_terminal_that_knows_ascii_alone(job):
    (job / "notes.txt").write_text("deviation: 3 Ω ≤ µ ☠\n", encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "reportgen", "check", str(job)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment)
    assert done.returncode == 0, done.stderr
    assert "\\u2620" in done.stdout


def test_a_folder_whose_name_is_no_text(job, tmp_path):
    """A name of the file system is bytes; these are no UTF-8."""
    odd = tmp_path / os.fsdecode(b"odd\xff\n\x1b[2J")
    job.rename(odd)
    command = [sys.executable, "-m", "reportgen", "check", str(odd)]
    done = subprocess.run(command, capture_output=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr
    assert b"\x1b" not in done.stdout


def test_a_reader_that_goes_away(job):
    """As in ``reportgen check JOB | head -1``."""
    command = [sys.executable, "-m", "reportgen", "check", str(job)]
    done = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT)
    assert done.stdout is not None
    done.stdout.close()
    assert done.stderr is not None
    with done.stderr as said:
        assert said.read() == b""
    assert done.wait() == 141
