"""The example logs are what the simulator writes, byte for byte."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.simulator.equipment_rack import equipment_rack_runs
from tests.simulator.examples import (
    BRACKET_AFTER,
    BRACKET_BEFORE,
    EXAMPLES,
    boom_decay,
    boom_runs,
    box_runs,
    bracket_decay,
)
from tests.simulator.log_file import log_bytes, sweep_columns
from tests.simulator.signal_lamp import signal_lamp_runs
from tests.simulator.wind_sensor_arm import wind_sensor_arm_runs

RUNS = [("sensor_boom", run) for run in boom_runs()] + [("controller_box", run) for run in box_runs()]
RUNS += [("wind_sensor_arm", run) for run in wind_sensor_arm_runs()]
RUNS += [("signal_lamp", run) for run in signal_lamp_runs()]
RUNS += [("equipment_rack", run) for run in equipment_rack_runs()]
IDS = [f"{folder}/{run.file}" for folder, run in RUNS]
ROWS = 150


@pytest.mark.parametrize("folder, run", RUNS, ids=IDS)
def test_the_beginning_of_every_log_is_written_again_byte_for_byte(folder, run):
    part = run.laboratory.record(run.structure, run.course, run.table, first=ROWS)
    again = log_bytes(sweep_columns(part, run.dialect), run.dialect)
    assert (EXAMPLES / folder / run.file).read_bytes().startswith(again)


def test_the_decay_is_written_again_byte_for_byte():
    assert (EXAMPLES / "sensor_boom/logs/x_decay.csv").read_bytes() == boom_decay()


def test_the_brackets_decays_are_written_again_byte_for_byte():
    for name, how, seed in (("before", BRACKET_BEFORE, 41), ("after", BRACKET_AFTER, 42)):
        assert (EXAMPLES / f"bolted_bracket/logs/z_{name}.csv").read_bytes() == bracket_decay(*how, seed=seed)


@pytest.mark.soak
@pytest.mark.parametrize("folder, run", RUNS, ids=IDS)
def test_every_log_is_written_again_byte_for_byte(folder, run):
    assert (EXAMPLES / folder / run.file).read_bytes() == run.content()


def test_another_seed_is_another_log():
    folder, run = RUNS[0]
    other = replace(run, laboratory=replace(run.laboratory, seed=999))
    part = other.laboratory.record(other.structure, other.course, other.table, first=ROWS)
    assert (
        not (EXAMPLES / folder / run.file)
        .read_bytes()
        .startswith(log_bytes(sweep_columns(part, run.dialect), run.dialect))
    )
