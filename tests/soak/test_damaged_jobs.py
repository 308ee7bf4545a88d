"""Damaged logs and job files: of each comes a finding or a report, never a traceback, never a hang."""

from __future__ import annotations

import multiprocessing
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import pytest

from tests.soak import outlive
from tests.soak.small_job import LOGS, job_of, write_job

CORPUS = 10_000
SHARE = 120
"""Of the corpus, in the ordinary tests."""


@pytest.mark.parametrize("make", LOGS, ids=[make.__name__ for make in LOGS])
def test_the_sound_job_is_read(tmp_path, make):
    """Else its damaged copies would show nothing."""
    assert outlive.outcome(write_job(job_of(make()), tmp_path), compute=False) == "sound"


def test_a_share_of_the_damaged_corpus():
    outcomes, faults = outlive.outlive(range(SHARE), compute_every=30)
    assert faults == []
    assert outcomes["findings"] > SHARE / 10, "damage must be felt"
    assert outcomes.total() == SHARE


@pytest.mark.parametrize(
    "seed, compute",
    [
        (1238, False),
        (1675, False),
        (1703, False),
        (2300, True),
        (3580, True),
        (6168, False),
        (9284, False),
        (9470, False),
    ],
)
def test_damage_that_was_once_a_traceback(seed, compute):
    """One of each kind that the corpus brought to light."""
    outcomes, faults = outlive.outlive(range(seed, seed + 1), compute_every=1 if compute else seed + 1)
    assert faults == []
    assert outcomes.total() == 1


@pytest.mark.soak
def test_the_damaged_corpus():
    """In processes of their own, so that a crash of a C library is seen as what it is."""
    chunk = 100
    chunks = [range(start, start + chunk) for start in range(0, CORPUS, chunk)]
    work = partial(outlive.outlive, compute_every=20)
    outcomes: Counter[str] = Counter()
    faults: list[str] = []
    with ProcessPoolExecutor(mp_context=multiprocessing.get_context("spawn")) as pool:
        for found, wrong in pool.map(work, chunks):
            outcomes += found
            faults += wrong
    print(dict(outcomes))
    assert faults == []
    assert outcomes.total() == CORPUS
