"""Temperatures and humidities beside the rows of a log: of the room, or of a channel that the job names for a monitor.

Conversions are those of the SI: 0 °C is 273.15 K, and 68 °F are 20 °C (BIPM, SI brochure, 2.3.4; NIST SP 811, B.8).
"""

from __future__ import annotations

import numpy as np
import pytest

from reportgen.cli import main
from reportgen.compute.run import compute_run
from reportgen.pipeline import JobInError, check_job, read_inputs
from reportgen.progress import silent
from reportgen.read.log import read_bare_log
from reportgen.read.run_log import read_run
from reportgen.records.finding import Severity
from reportgen.records.log_parts import joined_log
from reportgen.render.catalogue import said
from reportgen.render.figures.axis_figures import limit_over_control
from reportgen.render.results import encoded
from reportgen.units import parse_quantity
from tests.soak.small_job import comma_log, job_of, write_job

MONITOR = '[[channel]]\nid = "T1"\nrole = "monitor"\n\n[[profile]]'


def with_columns(heads: str, rows) -> bytes:
    """The small log with further columns; ``rows`` gives their cells by row and number of rows."""
    remark, head, *lines = comma_log()[1].decode().splitlines()
    lines = [f"{line},{rows(number, len(lines))}" for number, line in enumerate(lines)]
    return "\n".join([remark, f"{head},{heads}", *lines]).encode()


def warming(number: int, count: int) -> str:
    """From 21 °C to 23 °C; every second row without a reading of T1, which goes from 68 °F to 86 °F."""
    share = number / (count - 1)
    return (
        f"{21 + 2 * share:.3f},{'' if number % 2 and number < count - 1 else f'{68 + 18 * share:.3f}'},{44 + share:.2f}"
    )


def job(tmp_path, *changes, heads="Temperature [°C],T1 [°F],rel. humidity [%]", rows=warming):
    folder = write_job(job_of(("x.csv", with_columns(heads, rows), "")), tmp_path / "job")
    text = (folder / "job.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder


def computed(folder):
    inputs = read_inputs(folder)
    return inputs, compute_run(inputs.job, inputs.job.runs[0], inputs.logs["X-PRE"], silent)


FROM_LOGS = ("[laboratory]", '[test]\nenvironment = "from logs"\n\n[laboratory]')
AS_MONITOR = ("[[profile]]", MONITOR)


def test_conditions_reach_the_job_the_run_and_results(tmp_path):
    inputs, run = computed(job(tmp_path, FROM_LOGS, AS_MONITOR))
    stated = inputs.job.environment
    assert (stated.temperature, stated.humidity) == ("21.0 °C – 23.0 °C", "44 % rh – 45 % rh")
    told = {(each.channel, each.ambient): (each.lowest, each.highest) for each in run.conditions}
    assert told["T1", False] == (pytest.approx(20.0), pytest.approx(30.0))
    assert told["Temperature", True] == (pytest.approx(21.0), pytest.approx(23.0))
    assert {each.id for each in run.channels} == {"A1"}, "no condition is a response"
    assert encoded(run)["conditions"][0] == {
        "channel": "Temperature", "unit": "°C", "lowest": pytest.approx(21.0), "highest": pytest.approx(23.0),
        "ambient": True,
    }  # fmt: skip


def test_a_temperature_was_taken_for_an_amplitude_and_scaled_by_the_root_of_two(tmp_path):
    _, run = computed(job(tmp_path, AS_MONITOR, ('axis = "X"', 'axis = "X"\namplitude = "rms"')))
    assert {each.channel: each.highest for each in run.conditions}["T1"] == pytest.approx(30.0)


def test_a_temperature_is_neither_control_nor_response(tmp_path):
    folder = job(tmp_path, ("[[profile]]", MONITOR.replace("monitor", "response")))
    faults = [each for each in check_job(folder).findings if each.message.code == "log.condition-no-monitor"]
    assert [each.severity for each in faults] == [Severity.ERROR]
    assert 'write role = "monitor"' in said(faults[0].message)
    with pytest.raises(JobInError):
        read_inputs(folder)


def test_columns_are_named_in_the_job_where_their_headers_do_not_say_it(tmp_path):
    """Hall [C] is not known for a temperature of the room; mapped, it goes before one whose header says so."""
    named = ("[laboratory]", '[test]\nenvironment = "from logs"\n[columns]\ntemperature = "Hall / °C"\n\n[laboratory]')
    folder = job(tmp_path, named, heads="Temp [°C],Hall [V]", rows=lambda number, _: f"50,{19 + number % 2}")
    inputs = read_inputs(folder)
    assert inputs.job.environment.temperature == "19.0 °C – 20.0 °C"
    assert "environment.not-in-logs" in {each.message.code for each in inputs.findings}, "no humidity"


def test_runs_without_a_reading_are_told_and_a_log_without_any_gives_none(tmp_path):
    inputs = read_inputs(job(tmp_path, FROM_LOGS, heads="Temp [°C]", rows=lambda *_: ""))
    assert inputs.job.environment.temperature is None
    (told,) = [each for each in inputs.findings if each.message.code == "environment.not-in-logs"]
    assert "temperature and humidity" in said(told.message)


def test_what_the_notes_say_beside_the_logs_was_left_out(tmp_path):
    both = (FROM_LOGS[0], FROM_LOGS[1].replace("from logs", "from logs and notes"))
    folder = job(tmp_path, both)
    (folder / "notes.txt").write_text("24,5 °C in the hall, 1009 hPa\n", encoding="utf-8")
    stated = read_inputs(folder).job.environment
    told = ("21.0 °C – 24.5 °C", "44 % rh – 45 % rh", "1009 hPa")
    assert (stated.temperature, stated.humidity, stated.pressure) == told


def test_parts_of_a_run_keep_their_conditions(tmp_path):
    folder = job(tmp_path, AS_MONITOR)
    read = read_inputs(folder)
    log, _ = read_run(read.job, read.job.runs[0])
    both = joined_log([log, log], "both")
    assert [len(each.values) for each in both.conditions] == [2 * len(log.frequency_hz)] * 3
    assert np.nanmax(both.conditions[0].values) == pytest.approx(273.15 + 23.0)


def test_limits_on_other_quantities_are_drawn_where_they_were_measured(tmp_path):
    """Fault: a limit in µm/m ended the build, and one in mm p-p was drawn at twice its height."""
    run = computed(job(tmp_path))[1]
    in_mm, p_p = (limit_over_control(run, parse_quantity(text))[1] for text in ("1 mm", "2 mm p-p"))
    assert in_mm == pytest.approx(p_p)
    level = limit_over_control(run, parse_quantity("5 µm/m"))[1]
    assert level == pytest.approx(5e-6 / run.control.level)


def test_inspect_offers_them_to_paste_and_a_quick_look_leaves_them_out(tmp_path, capsys):
    path = tmp_path / "x.csv"
    path.write_bytes(with_columns("Temperature [°C],rF [%]", lambda *_: "21,44"))
    assert main(["inspect", str(path)]) == 0
    printed = capsys.readouterr().out
    assert 'temperature = "Temperature [°C] / °C"' in printed
    assert 'humidity = "rF [%] / (% rh)"' in printed
    log, controls, _ = read_bare_log(path, None)
    assert controls == ("C1",)
    assert {each.channel for each in log.traces} == {"C1", "A1"}
