"""A job of two surveys that computes in half a second: rows of steady vibration from closed forms, little noise."""

from __future__ import annotations

from pathlib import Path

import numpy as np

JOB = """# Head of a lamp on a mast; comments and order of this file are to stay.
[report]
number = "VTR-0301"
title = "Sine survey of a lamp head"
date = 2026-05-04

[laboratory]
name = "Harbour Test House"

[customer]
name = "Quayside Lighting"

[specimen]
name = "Lamp head"

[[person]]
role = "Test engineer"
name = "A. Nobody"

[[channel]]
id = "C1"
role = "control"

[[channel]]
id = "A1"
role = "response"
location = "top of the head"

[[run]]
id = "X-PRE"
kind = "survey"
axis = "X"
log = "logs/x_pre.csv"
steady_state = true

# --- what the engineer decided ---

[[correction]]
run = "X-PRE"
channel = "A1"
frequency = "200 Hz"
action = "accept"   # after a look
reason = "seen by eye"
by = "A. Nobody"

# --- and the survey after the test ---

[[run]]
id = "X-POST"
kind = "survey"
axis = "X"
log = "logs/x_post.csv"
steady_state = true

[[requirement]]
id = "R1"
clause = "5.1"
text = "The lowest natural frequency shall not lie below 50 Hz."
check = "lowest natural frequency"
run = "X-PRE"
limit = "50 Hz"

[[requirement]]
id = "R2"
clause = "5.2"
text = "No natural frequency shall shift by more than 5 %."
check = "frequency shift"
before = "X-PRE"
after = "X-POST"
limit = "5 %"
"""
NOTES = """2026-05-04 09:14 X-PRE survey before the test
"""
Modes = tuple[tuple[float, float, float], ...]
MODES: Modes = ((60.0, 20.0, 1.0), (200.0, 25.0, 0.6))
"""Frequency in Hz, Q, share in the response."""


def rows(factor: float, seed: int, count: int = 160, modes: Modes = MODES) -> str:
    """A log of a response to steady vibration at 0.5 g: 1 plus single-mode terms (base excitation, ISO 2041)."""
    f = np.geomspace(30.0, 400.0, count)
    h = np.ones(count, dtype=complex)
    for f0, q, share in modes:
        r = f / (factor * f0)
        h += share * r**2 / (1.0 - r**2 + 1j * r / q)
    noise = np.random.default_rng(seed).normal(size=(2, count)) * 2e-4
    h += noise[0] + 1j * noise[1]
    lines = ["frequency [Hz],C1 [g],A1 [g],A1 phase [deg]"]
    phase = np.degrees(np.angle(h))
    lines += [f"{a:.4f},0.5,{0.5 * abs(b):.6f},{c:.4f}" for a, b, c in zip(f, h, phase, strict=True)]
    return "\n".join(lines) + "\n"


def write_job(folder: Path, *, job: str = JOB, notes: str | None = NOTES) -> Path:
    """The job in a new folder."""
    (folder / "logs").mkdir(parents=True)
    (folder / "logs/x_pre.csv").write_text(rows(1.0, 1), encoding="utf-8")
    (folder / "logs/x_post.csv").write_text(rows(0.99, 2), encoding="utf-8")
    (folder / "job.toml").write_text(job, encoding="utf-8", newline="")
    if notes is not None:
        (folder / "notes.txt").write_text(notes, encoding="utf-8", newline="")
    return folder
