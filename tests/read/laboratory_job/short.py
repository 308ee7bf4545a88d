"""The example sensor_boom written in short forms with a laboratory file: the same job in the long form."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

SHARED = Path(__file__).parent
EXAMPLE = Path(__file__).resolve().parents[3] / "example_logs" / "sensor_boom"
LAB = ("laboratory.toml", "instruments.csv")

_HEAD = """
[test]
exciter = "ED-2"
people = ["adler", "lindqvist", "haas"]
environment = { temperature = "22 °C", humidity = "44 % rh", pressure = "1013 hPa" }
instruments = ["STR-2"]
channels = [
  "PLATE",
  ["A1", "response", "camera head", "ACC-31"],
  ["A2", "response", "arm, upper face", "ACC-32"],
]

[[channel]]
id = "C1"
direction = "X"

[[channel]]
id = "C2"
direction = "X"

[[channel]]
id = "A1"
direction = "X"
position = "640 mm"

[[channel]]
id = "A2"
direction = "X"
position = "0.55 L"

[run_defaults]
strategy = "average"
survey = { profile = "SURVEY", tracking_filter = "10 Hz" }
sweep = { profile = "QUALIFICATION", tracking_filter = "10 Hz" }
dwell = { profile = "DWELL", tracking_filter = "10 Hz" }

[runs]
table = [
  ["X-PRE", "survey", "X", "logs/x_pre.csv", 2026-03-12T09:14:00],
  ["X-SWEEP", "sweep", "X", "logs/x_sweep.csv", 2026-03-12T10:32:00],
  ["X-DWELL", "dwell", "X", "logs/x_dwell.csv", 2026-03-12T11:05:00],
  ["X-POST", "survey", "X", "logs/x_post.csv", 2026-03-12T13:21:00],
  ["X-DECAY", "decay", "X", "logs/x_decay.csv", 2026-03-12T13:40:00],
]

[[run]]
id = "X-SWEEP"
"""
_OF_THE_LABORATORY = (
    'name = "Vibration Laboratory, Test Centre North"\n',
    'address = "Hall 4, Quay Road 12"\n',
    'contact = "vibration desk, extension 214"\n',
)
_REMARK = re.compile(r'^remark = "Level turned down.*$', re.MULTILINE)


def short_job(root: Path) -> Path:
    """The job in short forms in ``root/job``, with its laboratory file above it; logs and photos are links."""
    folder = root / "job"
    folder.mkdir(parents=True)
    for name in LAB:
        shutil.copy(SHARED / name, root / name)
    for name in ("logs", "photos"):
        shutil.copytree(EXAMPLE / name, folder / name, copy_function=shutil.copyfile)
    for notes in EXAMPLE.glob("notes.*"):
        shutil.copyfile(notes, folder / notes.name)
    (folder / "job.toml").write_text(short_text(), encoding="utf-8")
    return folder


def short_text() -> str:
    """Its job file: the long one without what the laboratory file or a short form says."""
    text = (EXAMPLE / "job.toml").read_text(encoding="utf-8")
    tables = re.split(r"(?m)^(?=\[)", text)
    gone = ("[environment]", "[[person]]", "[exciter]", "[[instrument]]", "[[channel]]", "[[run]]")
    kept = [each for each in tables if not each.startswith(gone) and 'id = "SURVEY"' not in each]
    short = "".join(kept).replace(
        'name = "Vibration Laboratory, Test Centre North"\naddress = "Hall 4, Quay Road 12"\n', ""
    )
    short = short.replace('contact = "vibration desk, extension 214"\n', "")
    short = short.replace('standard = "IEC', 'language = "en"\nstandard = "IEC', 1)
    short = re.sub(r'(?m)^(\[\[requirement\]\]\n)id = "R\d+"\n', r"\1", short)
    remark = _REMARK.search(text)
    assert remark is not None
    return f"{short}{_HEAD}{remark.group()}\n"
