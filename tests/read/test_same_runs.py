"""One measurement told twice is no before and after: equal bytes, equal rows under other names, columns copied.

What is legitimate says nothing: a control average that is its one sensor, constant or coarse columns, a survey
repeated on the same grid of frequencies with the scatter that every repetition has.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from reportgen.pipeline import check_job
from reportgen.read.log import read_bare_log
from reportgen.records.finding import Severity
from reportgen.render.catalogue import said
from reportgen.render.terminal import finding_line

HEAD = (
    '[report]\nnumber="1"\ntitle="T"\ndate=2026-03-20\n[laboratory]\nname="L"\n'
    '[customer]\nname="C"\n[specimen]\nname="S"\n'
)
CHANNELS = "".join(
    f'[[channel]]\nid="{name}"\nrole="{role}"\n'
    for name, role in (("C1", "control"), ("A1", "response"), ("A2", "response"))
)


def table(seed=0, noise=0.002, rows=400):
    """time, frequency, C1, A1, A2 in g, with a scatter as the best repetitions have it."""
    rng = np.random.default_rng(seed)
    frequency = np.geomspace(20.0, 400.0, rows)
    scatter = 1.0 + noise * rng.standard_normal((3, rows))
    one = 1.0 / np.abs(1.0 - (frequency / 90.0) ** 2 + 1j * frequency / 90.0 / 30.0)
    two = 1.0 / np.abs(1.0 - (frequency / 210.0) ** 2 + 1j * frequency / 210.0 / 20.0)
    return np.column_stack([np.arange(rows) / 2.0, frequency, *(0.5 * np.array([np.ones(rows), one, two]) * scatter)])


def write(path, values, names="time [s],frequency [Hz],C1 [g],A1 [g],A2 [g]", form="%.6g", sep=","):
    path.parent.mkdir(exist_ok=True, parents=True)
    lines = [names.replace(",", sep)] + [sep.join(form % cell for cell in row) for row in values]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def errors(folder, runs='log="logs/a.csv"', second='log="logs/b.csv"', channels=CHANNELS, kind="survey"):
    (folder / "job.toml").write_text(
        HEAD + channels + f'[[run]]\nid="PRE"\nkind="{kind}"\n{runs}\n[[run]]\nid="POST"\nkind="{kind}"\n{second}\n',
        encoding="utf-8",
    )
    return [finding_line(each) for each in check_job(folder).findings if each.severity is Severity.ERROR]


def test_before_and_after_of_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        write(tmp_path / "logs" / f"{name}.csv", table())
    (found,) = errors(tmp_path)
    assert found.startswith(
        "job.toml:27: error: [[run]] POST: logs/b.csv holds the same bytes as logs/a.csv of run PRE"
    )


@pytest.mark.parametrize("second", ['log="logs/a.csv"', 'log="./logs//a.csv"', 'log="logs/a.csv"\nsweep=1'])
def test_one_file_named_twice(tmp_path, second):
    write(tmp_path / "logs" / "a.csv", table())
    (found,) = errors(tmp_path, second=second)
    assert found.startswith("job.toml:27: error: [[run]] POST")


@pytest.mark.parametrize(
    "told",
    ["rows cut", "rows cut inside", "time", "order", "delimiter", "unit", "names", "digits", "backwards", "no time"],
)
def test_equal_rows_told_another_way(tmp_path, told):
    values, names, more = table(), "time [s],frequency [Hz],C1 [g],A1 [g],A2 [g]", {}
    write(tmp_path / "logs" / "a.csv", values)
    if told == "rows cut":
        values = values[5:-9]
    elif told == "rows cut inside":
        values = np.delete(values, [3, 90, 91, 200, 311], axis=0)
    elif told == "time":
        values = values + np.array([3600.0, 0, 0, 0, 0])
    elif told == "order":
        values, names = values[:, [0, 1, 4, 3, 2]], "time [s],frequency [Hz],A2 [g],A1 [g],C1 [g]"
    elif told == "delimiter":
        more = {"sep": ";"}
    elif told == "unit":
        values = values * np.array([1, 1, 9.80665, 9.80665, 9.80665])
        names, more = names.replace("[g]", "[m/s^2]"), {"form": "%.7g"}
    elif told == "names":
        values, names = values[:, [0, 1, 2, 4, 3]], "t [s],f [Hz],C1 [g],A1 [g],A2 [g]"
    elif told == "digits":
        more = {"form": "%.4g"}
    elif told == "backwards":
        values = values[::-1] * np.array([-1, 1, 1, 1, 1])
    else:
        values, names = values[:, 1:], names[9:]
    write(tmp_path / "logs" / "b.csv", values, names, **more)
    (found,) = errors(tmp_path)
    assert re.match(
        r"job.toml:27: error: \[\[run\]\] POST: logs/b.csv holds the same rows as logs/a.csv of run PRE", found
    )


def test_a_column_copied_from_log_to_log(tmp_path):
    before, after = table(1), table(2)
    after[:, 4] = before[:, 4]
    write(tmp_path / "logs" / "a.csv", before)
    write(tmp_path / "logs" / "b.csv", after)
    (found,) = errors(tmp_path)
    assert "holds numbers of logs/a.csv of run PRE (A2): columns copied from log to log" in found


def test_a_column_copied_within_a_log(tmp_path):
    values = table(1)
    values[:, 4] = values[:, 3]
    write(tmp_path / "logs" / "a.csv", values)
    write(tmp_path / "logs" / "b.csv", table(2))
    (found,) = errors(tmp_path)
    assert found.startswith("job.toml:23: error: [[run]] PRE: channels A1 and A2 of logs/a.csv hold the same numbers")
    _, _, findings = read_bare_log(tmp_path / "logs" / "a.csv", None)
    assert [each.severity for each in findings] == [Severity.WARNING]
    assert "channels A1 and A2 hold the same numbers" in said(findings[0].message)


def test_a_dwell_copied_is_found_though_its_frequency_stands_still(tmp_path):
    values = table()
    values[:, 1] = 90.0 + 0.01 * np.round(np.sin(np.arange(400.0)))
    write(tmp_path / "logs" / "a.csv", values)
    write(tmp_path / "logs" / "b.csv", values[20:])
    (found,) = errors(tmp_path, kind="dwell")
    assert "holds the same rows" in found


@pytest.mark.parametrize("form", ["%.6g", "%.4g", "%.3g", "%.3f"])
@pytest.mark.parametrize("noise", [0.0005, 0.002])
def test_a_repetition_on_the_same_frequencies_is_a_measurement_of_its_own(tmp_path, form, noise):
    """0.05 % from reading to reading is as good as accelerometers repeat; three digits still tell two runs apart."""
    for seed, name in enumerate("ab"):
        write(tmp_path / "logs" / f"{name}.csv", table(seed, noise), form=form)
    assert errors(tmp_path) == []


def test_an_average_that_is_its_one_sensor_is_no_copy(tmp_path):
    for seed, name in enumerate("ab"):
        values = table(seed)
        values = np.column_stack([values, values[:, 2]])
        write(tmp_path / "logs" / f"{name}.csv", values, "time [s],frequency [Hz],C1 [g],A1 [g],A2 [g],Control [g]")
    both = CHANNELS + '[[channel]]\nid="Control"\nrole="control"\n'
    assert errors(tmp_path, channels=both) == []
    assert errors(tmp_path) == []


def test_constant_and_coarse_columns_say_nothing(tmp_path):
    for seed, name in enumerate("ab"):
        values = table(seed)
        values[:, 2] = 0.5
        values[:, 4] = np.round(values[:, 4])
        write(tmp_path / "logs" / f"{name}.csv", values)
    assert errors(tmp_path) == []


def test_two_sweeps_of_one_file_are_two_runs(tmp_path):
    down = table(7)[::-1]
    down[:, 0] = 200.0 + table()[:, 0]
    write(tmp_path / "logs" / "a.csv", np.vstack([table(), down]))
    assert errors(tmp_path, runs='log="logs/a.csv"\nsweep=1', second='log="logs/a.csv"\nsweep=2') == []


def test_before_and_after_side_by_side_in_one_file(tmp_path):
    values = np.column_stack([table(1), table(2)[:, 2:]])
    names = "time [s],frequency [Hz],C1 [g],A1 [g],A2 [g],C1 after [g],A1 after [g],A2 after [g]"
    write(tmp_path / "logs" / "a.csv", values, names)
    mapping = '[run.columns]\n"C1"="C1 after / g"\n"A1"="A1 after / g"\n"A2"="A2 after / g"'
    first = '[run.columns]\n"C1"="C1 [g] / g"\n"A1"="A1 [g] / g"\n"A2"="A2 [g] / g"'
    found = errors(tmp_path, runs=f'log="logs/a.csv"\n{first}', second=f'log="logs/a.csv"\n{mapping}')
    assert not [each for each in found if "same" in each], found


def test_a_record_saved_again_in_another_format(tmp_path):
    time = np.arange(6000) / 1000.0
    rng = np.random.default_rng(3)
    motion = np.sin(2 * np.pi * (20 * time + 5 * time**2))[:, None] * [1, 2, 3] + 0.01 * rng.standard_normal((6000, 3))
    values = np.column_stack([time, motion])
    write(tmp_path / "logs" / "a.csv", values, "time [s],C1 [g],A1 [g],A2 [g]", "%.7g")
    write(tmp_path / "logs" / "b.csv", values, "time [s],C1 [g],A1 [g],A2 [g]", "%.9g", ";")
    (found,) = errors(tmp_path, kind="sweep")
    assert "holds the same rows as logs/a.csv" in found
