"""Readme: what an archive holds and how it is checked, in plain words, for somebody who does not have this program."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reportgen.archive.bag import ArchiveInfo

README = "README.txt"

_WHAT_IS_WHAT = (
    ("data/report.pdf", "the report; among its attachments the inputs travel as well"),
    ("data/report.html", "the same report for a browser"),
    ("data/summary.pdf", "its summary on one page"),
    ("data/annex.pdf", "its annex, where the job asks for one apart"),
    ("data/results.json", "every number, verdict and finding of the report, as text"),
    ("data/plots/", "the curves, as SVG drawings"),
    ("data/versions.json", "the software that computed and printed, with versions"),
    ("data/supersedes.json", "what this revision changes against the one it replaces"),
    ("data/job/", "what the report was made from, as the laboratory named it: job.toml (what was tested, how,"),
)
_REST_OF_JOB = "against which requirement), operator's notes, logs as they were recorded, photos"
_TAGS = (
    ("manifest-sha256.txt", "checksum of every file below data/"),
    ("tagmanifest-sha256.txt", "checksum of every file beside data/"),
    ("bag-info.txt, bagit.txt", "what the packaging standard asks for"),
)

_TEXT = """\
{title}
{underline}
Report      {number} revision {revision}, {date}{draft}
Laboratory  {laboratory}
Customer    {customer}
Made by     {software}

This folder holds a vibration test report and everything it was made from, packed by the open standard BagIt 1.0
(RFC 8493). Everything in it can be read and checked without the program that made it.

What is what
------------
{contents}

Was anything changed?
---------------------
In this folder, on Linux:

    sha256sum -c manifest-sha256.txt tagmanifest-sha256.txt

On macOS write "shasum -a 256" in place of "sha256sum". On Windows "Get-FileHash FILE" in PowerShell shows the
checksum of a file, to compare with its line in the manifest. Any tool for BagIt does all of it at once, such as

    python -m bagit --validate .

A file below data/ that no manifest lists is no part of the archive. The zip as a whole can be checked, too: its last
64 characters are the SHA-256 of all bytes before them. These two commands show the same:

    head -c -64 {name}.zip | sha256sum
    tail -c 64 {name}.zip

Checksums find damage and careless changes. Whoever changes a file on purpose can write new checksums as well; against
that help a signature in report.pdf, or the checksum of the zip kept in another place.

Do the numbers follow from the logs?
------------------------------------
With the program: "reportgen verify {name}.zip" checks all of the above, computes every number
again from data/job and says which differ and by how much. versions.json names what to install for the very same
numbers.

Without it: the method is described in the report, and these are open formats. job.toml is TOML 1.0, results.json is
JSON (RFC 8259), both UTF-8; the columns of a log are named by its own header, or in job.toml under [run.columns].

How to read results.json
------------------------
A name ends with its unit: _hz hertz, _s seconds, _db decibels, _deg degrees, _mps2 m/s2. Amplitudes are peak values.
A name with _std is a standard uncertainty (one sigma). null: the number could not be had; the reason stands beside it.

    frequency_hz   undamped natural frequency of the mode, freed of what the sweep did to the log
    q              1/(2 damping_ratio)
    amplification  steady-state response over control at the peak near the mode, on that channel
    observed       what the log shows as it was recorded
    mode           number of the bending mode, from the nodes that were counted
    result         of a requirement: pass, conditional pass, conditional fail, fail or not evaluated
"""


def readme_text(info: ArchiveInfo, names: Iterable[str]) -> str:
    """README.txt of an archive with payload files of these names; of the contents it lists what is there."""
    there = {f"data/{name}" for name in names}
    rows = [
        (name, what)
        for name, what in _WHAT_IS_WHAT
        if name in there or (name.endswith("/") and any(each.startswith(name) for each in there))
    ]
    rows = [row for each in rows for row in ((each, ("", _REST_OF_JOB)) if each[0] == "data/job/" else (each,))]
    stated = {
        name: " ".join("".join(c if c.isprintable() else " " for c in getattr(info, name)).split())
        for name in ("number", "revision", "title", "laboratory", "customer", "software")
    }
    return _TEXT.format(
        **stated,
        underline="=" * len(stated["title"]),
        date=info.date.isoformat(),
        name=info.name,
        draft="\nStanding    DRAFT: not issued, and nothing that may be signed" if info.draft else "",
        contents="\n".join(f"{name:<24}  {what}" for name, what in (*rows, *_TAGS)),
    )
